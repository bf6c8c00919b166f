"""The story of an episode, put together."""

from __future__ import annotations

from collections.abc import Sequence

from console.diagnosis.before.looking import differences
from console.diagnosis.causes.experiments import Outcome, after
from console.diagnosis.causes.ranking import ranked
from console.diagnosis.episode import Episode
from console.diagnosis.held.held_lines import held_lines
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.scene import Scene
from console.diagnosis.story import Story
from console.diagnosis.telling.count import count_or_clock
from console.diagnosis.telling.different import different
from console.diagnosis.telling.happened import ended, happened, head_of
from console.diagnosis.telling.why import ruled_out, try_next, why


def story_of(
    scene: Scene,
    others: Sequence[Episode] = (),
    lives: Sequence[Life] = (),
    life: Life | None = None,
    outcomes: Sequence[Outcome] = (),
) -> Story:
    """Everything there is to tell of one episode.

    Args:
        scene: the episode in its run.
        others: the other episodes of that device.
        lives: of that device, of this run and of others it is compared with.
        life: that of this episode.
        outcomes: of experiments, as the user recorded them.
    """
    ranking = ranked(scene, others)
    if outcomes:
        ranking = after(ranking, outcomes)
    parts = [
        happened(scene, life),
        ended(scene, held_lines(scene)),
        different(differences(scene)),
        why(scene, ranking),
    ]
    if lives:
        parts.append(count_or_clock(lives))
    parts += [try_next(ranking, outcomes), *ruled_out(scene, ranking)]
    return Story(scene.episode, head_of(scene.episode), tuple(parts))
