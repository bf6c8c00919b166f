"""The story of each peripheral of a run that stopped, and of the run as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from console.bench.model import Bench
from console.diagnosis.before.difference import Differences
from console.diagnosis.before.sharing import shared
from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.causes.outcomes_file import of_device
from console.diagnosis.episode import Episode
from console.diagnosis.episodes_table import episodes_frame
from console.diagnosis.story import Story
from console.diagnosis.telling.telling import story_of, whole_story
from console.diagnosis.telling.why import cause_words
from console.pipeline.evidence import Evidence
from console.pipeline.looked import Looked, looked_at

TOGETHER_NS = 1_000_000_000  # two devices polled now and then are not missed at once


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What there is to tell of one run."""

    looked: Looked
    # Of the episodes that failed, the gravest first; then, if there is one, of the whole run.
    stories: Sequence[Story]


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
    return told_of(looked_at(evidence, bench, stop), outcomes)


def told_of(looked: Looked, outcomes: Sequence[Outcome] = ()) -> Told:
    """The stories of a run that was looked at, once it is known what came of experiments."""
    stories = list(_stories(looked, outcomes))
    if looked.whole is not None:
        scene, ranking = looked.whole.scene, looked.whole.ranking
        whole = whole_story(scene, ranking, of_device(outcomes, ""), stories)
        stories += [] if whole is None else [whole]
    return Told(looked, stories)


def _stories(looked: Looked, outcomes: Sequence[Outcome]) -> Iterator[Story]:
    alike: dict[str, list[Differences]] = {}
    for each in sorted(looked.found, key=lambda one: one.episode.first_bad_ns):
        alike.setdefault(each.episode.device, []).append(each.differences)
    common = {device: shared(many) for device, many in alike.items() if len(many) > 1}
    for each in looked.found:
        device = each.episode.device
        own = [life for life in looked.lives if life.device == device]
        life = next((one for one in own if one.episode == each.episode), None)
        near = [one for one in looked.episodes if _is_with(one, each.episode)]
        with_it = {one.device: one for one in reversed(near)}  # of each its first
        yield story_of(
            each,
            of_device(outcomes, device),
            lives=own,
            life=life,
            shared=common.get(device, ()),
            names=looked.names,
            with_it=list(reversed(with_it.values())),
        )


def _is_with(one: Episode, episode: Episode) -> bool:
    """Whether another device stopped as this one did, give or take a moment."""
    apart = abs(one.first_bad_ns - episode.first_bad_ns)
    return one.failed and one.device != episode.device and apart <= TOGETHER_NS


def episodes_table(evidence: Evidence, bench: Bench) -> pl.DataFrame:
    """The `episodes` table; of the first failures also what was different, and which causes fit."""
    looked = looked_at(evidence, bench)
    by_episode = {id(each.episode): each for each in looked.found}
    own = [by_episode.get(id(episode)) for episode in looked.episodes]
    different = [None if e is None else [one.words for one in e.differences.ranked] for e in own]
    cause = [None if e is None else cause_words(e.ranking) for e in own]
    return episodes_frame(looked.episodes, different, cause)
