"""The story of an episode, put together from all that was found of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.before.difference import Differences
from console.diagnosis.before.looking import differences
from console.diagnosis.before.sharing import Shared
from console.diagnosis.causes.experiments import Outcome, after
from console.diagnosis.causes.ranking import Ranking, ranked
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.episode import Episode
from console.diagnosis.held.held import Held
from console.diagnosis.held.held_lines import held_lines
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.scene import Scene
from console.diagnosis.story import Story
from console.diagnosis.telling.count import count_or_clock
from console.diagnosis.telling.different import different
from console.diagnosis.telling.explaining import explained
from console.diagnosis.telling.happened import ended, happened, head_of, held_in
from console.diagnosis.telling.next_step import in_sentence, try_next
from console.diagnosis.telling.why import cause, evidence, others
from console.watch.names import Names

NOBODY = Names()


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What was found of one episode by itself."""

    scene: Scene
    holds: Sequence[Held]
    differences: Differences
    ranking: Ranking

    @property
    def episode(self) -> Episode:
        """Which one."""
        return self.scene.episode


def found_of(scene: Scene, others: Sequence[Episode] = (), run: RunFacts | None = None) -> Found:
    """Look at one episode.

    Args:
        scene: the episode in its run.
        others: the other episodes of that device.
        run: what is known of its run, where several episodes of one are looked at.
    """
    ranking = ranked(scene, others, run=run)
    return Found(scene, held_lines(scene), differences(scene), ranking)


def story_of(
    found: Found,
    outcomes: Sequence[Outcome] = (),
    *,
    lives: Sequence[Life] = (),
    life: Life | None = None,
    shared: Sequence[Shared] = (),
    names: Names = NOBODY,
    with_it: Sequence[Episode] = (),
) -> Story:
    """Everything there is to tell of one episode, what is asked first at the top.

    Args:
        found: what was found of it.
        outcomes: of experiments on the device, as the user recorded them.
        lives: of that device, of this run and of others it is compared with.
        life: that of this episode.
        shared: what several episodes of that device end with.
        names: who is who.
        with_it: episodes of other devices that began as it did.
    """
    scene = found.scene
    causes = explained(after(found.ranking, outcomes) if outcomes else found.ranking)
    parts = [
        happened(scene, life, with_it, held_in(scene, found.holds, names)),
        cause(causes),
        try_next(scene, causes, outcomes),
        *evidence(scene, causes),
        *ended(scene, found.holds, names),
        different(found.differences, shared),
    ]
    if lives:
        parts.append(count_or_clock(lives))
    parts += others(scene, causes)
    return Story(scene.episode, head_of(scene.episode), tuple(parts))


def whole_story(
    scene: Scene, ranking: Ranking, outcomes: Sequence[Outcome], beside: Sequence[Story]
) -> Story | None:
    """What the run shows that made no peripheral stop; None when it shows nothing.

    Args:
        scene: the run as a whole (`whole_run`).
        ranking: of it, and of the peripherals that went on answering.
        outcomes: of experiments, as the user recorded them.
        beside: the stories of those that stopped.
    """
    causes = explained(after(ranking, outcomes) if outcomes else ranking)
    if not causes.told:
        return None
    titles = in_sentence(causes.told[0].cause.title)
    head = "Beside that, the run as a whole" if beside else "Nothing stopped answering, but the run"
    parts = [cause(causes), try_next(scene, causes, outcomes), *evidence(scene, causes)]
    return Story(scene.episode, f"{head} shows: {titles}", (*parts, *others(scene, causes)))
