"""The lives of every peripheral of a run, and the story of each that ended."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from console.bench.model import Bench
from console.diagnosis.before.difference import Differences
from console.diagnosis.before.sharing import shared
from console.diagnosis.causes.catalogue import CAUSES
from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.causes.outcomes_file import of_device
from console.diagnosis.causes.ranking import Ranking, ranked, together
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.episode import Episode, whole_run
from console.diagnosis.episodes_table import episodes_frame
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.scene import Scene
from console.diagnosis.story import Story
from console.diagnosis.telling.telling import Found, found_of, story_of, whole_story
from console.diagnosis.telling.why import cause_words
from console.pipeline.diagnosing import peripherals_of, scene_of
from console.pipeline.evidence import Evidence
from console.watch.names import Names

TOGETHER_NS = 1_000_000_000  # two devices polled now and then are not missed at once
# Causes that end no peripheral: of the firmware and the network, seen over the run as a whole; and
# those that spoil what a peripheral answers while it goes on.
ENDS_NOBODY = tuple(cause for cause in CAUSES if cause.family in ("firmware", "network"))
GOES_ON = tuple(cause for cause in CAUSES if cause.family in ("target", "controller"))
MOST = 20  # stories of one run; a device that comes and goes all day fills no screen


@dataclass(frozen=True, slots=True)
class Told:
    """What there is to tell of one run."""

    episodes: Sequence[Episode]  # of all peripherals, in time order; also those that ended well
    lives: Sequence[Life]
    # Of the episodes that failed, the gravest first; then, if there is one, of the whole run.
    stories: Sequence[Story]
    untold: int = 0  # failed episodes beyond the first `MOST`
    found: Sequence[Found] = ()  # what each story rests on


def told(
    evidence: Evidence,
    bench: Bench,
    *,
    outcomes: Sequence[Outcome] = (),
    stop: Callable[[], bool] = lambda: False,
) -> Told:
    """The stories of a run.

    Args:
        evidence: of the run; read with its edges kept where lines that were held are to be
            told to the bit.
        bench: its bench.
        outcomes: of experiments, as the user recorded them.
        stop: asked between two stories.
    """
    of = peripherals_of(evidence, bench)
    episodes, tables, names, lives = of.episodes, of.tables, of.names, of.lives(evidence.name)
    failed = sorted((each for each in episodes if each.failed), key=gravest_first)
    run = RunFacts(scene_of(evidence, tables, whole_run(evidence.start_ns, evidence.end_ns)))
    found: list[Found] = []
    for episode in failed[:MOST]:
        if stop():
            break
        others = [each for each in episodes if _is_other(each, episode)]
        done = of_device(outcomes, episode.device)
        found.append(found_of(scene_of(evidence, tables, episode), others, done, run))
    stories = list(_stories(found, lives, episodes, names))
    if not stop():
        goes_on = [each for each in episodes if not each.failed and each.transactions_answered]
        scenes = [scene_of(evidence, tables, each) for each in goes_on[:MOST]]
        whole = whole_story(run.scene, _ranked(run, scenes), of_device(outcomes, ""), stories)
        stories += [] if whole is None else [whole]
    return Told(episodes, lives, stories, max(0, len(failed) - MOST), found)


def _ranked(run: RunFacts, goes_on: Sequence[Scene]) -> Ranking:
    """What shows itself though the peripheral went on answering, or none is concerned."""
    rankings = [ranked(scene, causes=GOES_ON, run=run) for scene in goes_on]
    return together([ranked(run.scene, causes=ENDS_NOBODY, run=run), *rankings])


def _stories(
    found: Sequence[Found], lives: Sequence[Life], episodes: Sequence[Episode], names: Names
) -> Iterator[Story]:
    alike: dict[str, list[Differences]] = {}
    for each in sorted(found, key=lambda one: one.episode.first_bad_ns):
        alike.setdefault(each.episode.device, []).append(each.differences)
    common = {device: shared(many) for device, many in alike.items() if len(many) > 1}
    for each in found:
        device = each.episode.device
        own = [life for life in lives if life.device == device]
        life = next((one for one in own if _is_of(one, each.episode)), None)
        near = [one for one in episodes if _is_with(one, each.episode)]
        with_it = {one.device: one for one in reversed(near)}  # of each its first
        yield story_of(
            each, own, life, common.get(device, ()), names, list(reversed(with_it.values()))
        )


def gravest_first(episode: Episode) -> tuple[bool, bool, int]:
    """What never answered again, then what was dead for longest; last what never was healthy."""
    unknown = not episode.transactions_answered
    return unknown, episode.recovered, episode.first_bad_ns - episode.until_ns


def _is_with(one: Episode, episode: Episode) -> bool:
    """Whether another device stopped as this one did, give or take a moment."""
    apart = abs(one.first_bad_ns - episode.first_bad_ns)
    return one.failed and one.device != episode.device and apart <= TOGETHER_NS


def _is_other(one: Episode, episode: Episode) -> bool:
    return one.device == episode.device and one is not episode


def _is_of(life: Life, episode: Episode) -> bool:
    """Whether a life is that of an episode: they are as long, and ended in the same way."""
    is_as_long = life.exposed_ns == episode.elapsed_ns
    return is_as_long and life.failed and life.how == episode.how


def episodes_table(evidence: Evidence, bench: Bench) -> pl.DataFrame:
    """The `episodes` table; of the first failures also what was different, and which causes fit."""
    found = told(evidence, bench)
    by_episode = {id(each.episode): each for each in found.found}
    own = [by_episode.get(id(episode)) for episode in found.episodes]
    different = [None if e is None else [one.words for one in e.differences.ranked] for e in own]
    cause = [None if e is None else cause_words(e.ranking) for e in own]
    return episodes_frame(found.episodes, different, cause)
