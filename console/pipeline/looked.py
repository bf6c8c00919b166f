"""What there is to tell of a run, whatever was tried on it since: looked at once, told often."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from console.bench.model import Bench
from console.diagnosis.causes.catalogue import CAUSES
from console.diagnosis.causes.ranking import Ranking, ranked, together
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.episode import Episode, whole_run
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.scene import Scene
from console.diagnosis.telling.telling import Found, found_of
from console.pipeline.diagnosing import peripherals_of, scene_of
from console.pipeline.evidence import Evidence
from console.watch.names import Names

# Causes that end no peripheral: of the firmware and the network, seen over the run as a whole; and
# those that spoil what a peripheral answers while it goes on.
_BESIDE = tuple(cause for cause in CAUSES if cause.family in ("firmware", "network"))
ENDS_NOBODY = tuple(cause for cause in _BESIDE if not cause.of_device)
GOES_ON = tuple(
    cause
    for cause in CAUSES
    if cause.family in ("target", "controller") or (cause in _BESIDE and cause.of_device)
)
MOST = 20  # episodes of one run; a device that comes and goes all day fills no screen


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """The run as one scene."""

    scene: Scene
    ranking: Ranking  # of it, and of the peripherals that went on answering


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What was found of a run, before what the user tried is counted in."""

    episodes: Sequence[Episode]  # of all peripherals, in time order; also those that ended well
    lives: Sequence[Life]
    names: Names
    found: Sequence[Found]  # of the episodes that failed, the gravest first
    whole: Whole | None  # None where the looking was stopped
    untold: int = 0  # failed episodes beyond the first `MOST`


def looked_at(evidence: Evidence, bench: Bench, stop: Callable[[], bool] = lambda: False) -> Looked:
    """Look at every episode of a run that failed, and at the run as a whole.

    Args:
        evidence: of the run; read with its edges kept where lines that were held are to be
            told to the bit.
        bench: its bench.
        stop: asked between two episodes.
    """
    of = peripherals_of(evidence, bench)
    failed = sorted((each for each in of.episodes if each.failed), key=gravest_first)
    devices = frozenset(each.device for each in of.episodes)
    whole_scene = scene_of(evidence, of.tables, whole_run(evidence.start_ns, evidence.end_ns))
    run = RunFacts(replace(whole_scene, devices=devices))
    found: list[Found] = []
    for episode in failed[:MOST]:
        if stop():
            break
        others = [each for each in of.episodes if _is_other(each, episode)]
        found.append(found_of(scene_of(evidence, of.tables, episode), others, run))
    whole = None
    if not stop():
        on = [each for each in of.episodes if not each.failed and each.transactions_answered]
        whole = _whole(run, [scene_of(evidence, of.tables, each) for each in on[:MOST]])
    untold = max(0, len(failed) - MOST)
    return Looked(of.episodes, of.lives(evidence.name), of.names, found, whole, untold)


def _whole(run: RunFacts, goes_on: Sequence[Scene]) -> Whole:
    """What shows itself though the peripheral went on answering, or none is concerned."""
    rankings = [ranked(scene, causes=GOES_ON, run=run) for scene in goes_on]
    own = ranked(run.scene, causes=ENDS_NOBODY, run=run)
    return Whole(run.scene, together([own, *rankings]))


def gravest_first(episode: Episode) -> tuple[bool, bool, int]:
    """What never answered again, then what was dead for longest; last what never was healthy."""
    unknown = not episode.transactions_answered
    return unknown, episode.recovered, episode.first_bad_ns - episode.until_ns


def _is_other(one: Episode, episode: Episode) -> bool:
    return one.device == episode.device and one is not episode
