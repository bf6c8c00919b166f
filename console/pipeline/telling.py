"""The lives of every peripheral of a run, and the story of each that ended."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from console.bench.model import Bench
from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.causes.outcomes_file import of_device
from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.counting import lives_of
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.story import Story
from console.diagnosis.telling.telling import story_of
from console.pipeline.diagnosing import episodes_in, scene_of
from console.pipeline.evidence import Evidence
from console.pipeline.run_findings import timed_rows
from console.watch.from_bench import names_of

MOST = 20  # stories of one run; a device that comes and goes all day fills no screen


@dataclass(frozen=True, slots=True)
class Told:
    """What there is to tell of one run."""

    episodes: Sequence[Episode]  # of all peripherals, in time order; also those that ended well
    lives: Sequence[Life]
    stories: Sequence[Story]  # of the episodes that failed, the gravest first
    untold: int = 0  # failed episodes beyond the first `MOST`


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
    episodes = episodes_in(evidence, bench)
    tables = timed_rows(evidence.tables)
    off_axis = evidence.observation.off_axis
    lives = lives_of(episodes, tables, evidence.name, names_of(bench), off_axis)
    failed = sorted((each for each in episodes if each.failed), key=_gravest_first)
    stories = []
    for episode in failed[:MOST]:
        if stop():
            break
        others = [each for each in episodes if _is_other(each, episode)]
        own = [life for life in lives if life.device == episode.device]
        life = next((each for each in own if _is_of(each, episode)), None)
        scene, done = scene_of(evidence, tables, episode), of_device(outcomes, episode.device)
        stories.append(story_of(scene, others, own, life, done))
    return Told(episodes, lives, stories, max(0, len(failed) - MOST))


def _gravest_first(episode: Episode) -> tuple[bool, int]:
    """What never answered again, then what was dead for longest."""
    return episode.recovered, episode.first_bad_ns - episode.until_ns


def _is_other(one: Episode, episode: Episode) -> bool:
    return one.device == episode.device and one is not episode


def _is_of(life: Life, episode: Episode) -> bool:
    """Whether a life is that of an episode: they ended at the same moment, in the same way."""
    return life.how == episode.how and life.elapsed_ns >= episode.elapsed_ns and life.failed
