"""What is lost with the link to the broker: one message in flight, or all until it is noticed."""

from __future__ import annotations

import numpy as np

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.cause import (
    FAIR,
    WEAK,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import HEALTHY_BUS
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.often import times
from console.diagnosis.causes.standing import logged, longest_silence, stood_before
from console.diagnosis.causes.topics import Hole, Topic
from console.diagnosis.scene import Scene
from decoders.durations import in_words

_S = 1_000 * MS
_CHANCE = 0.1  # that numbers are missing where the link was lost for another reason


def _holes(facts: Facts) -> list[tuple[Topic, Hole]]:
    """Numbers left out in topics that are published without an acknowledgement."""
    return [(topic, hole) for topic in facts.run.topics for hole in topic.holes]


def _at_loss(facts: Facts, holes: list[tuple[Topic, Hole]]) -> list[tuple[Topic, Hole, int]]:
    """The holes within which the link was lost or found again, with that moment."""
    moments = np.sort(
        np.concatenate([facts.run.link_of_messages.lost_ns, facts.run.link_of_messages.found_ns])
    )
    found = []
    for topic, hole in holes:
        slack = topic.period_ns
        inside = moments[(moments >= hole.last_ns - slack) & (moments <= hole.next_ns + slack)]
        if len(inside):
            found.append((topic, hole, int(inside[0])))
    return found


def _untold(facts: Facts, at_loss: list[tuple[Topic, Hole, int]]) -> bool:
    """Whether all that is missing at losses may have come while nothing was recorded."""
    away = [(topic, hole) for topic in facts.run.topics for hole in topic.unrecorded]
    return not at_loss and bool(_at_loss(facts, away))


def _not_recorded() -> Answer:
    return judged(needed(None, "", "", "which messages are missing: they were not recorded then"))


def _hole_place(holes: list[tuple[Topic, Hole, int]]) -> Place:
    return Place("messages", holes[0][1].next_ns) if holes else Place()


def at_most_once_loss(_scene: Scene, facts: Facts) -> Answer:
    """A QoS 0 message was in flight as the link dropped."""
    holes = _holes(facts)
    at_loss = _at_loss(facts, holes)
    if _untold(facts, at_loss):
        return _not_recorded()
    unacknowledged = [each for each in at_loss if _qos0(each[0])]
    few = [each for each in unacknowledged if each[1].missing <= 2]
    return judged(
        needed(
            len(few) > 0 if facts.run.has_messages else None,
            f"a number or two is missing where the link was lost, {times(len(few))}",
            "no number is missing where the link was lost",
            "which messages are missing: none were recorded",
            strength=FAIR,
            at=_hole_place(few),
        ),
        unless(len(facts.run.link.taken_over_ns) > 0, "another client took the session over"),
        unless(stood_before(facts.run), "the board stood before the loss"),
        needed(
            _by_chance(facts, few) < _CHANCE if few else None,
            "that is no chance",
            "the link is lost so often, or messages come so seldom, that it may be chance",
            "whether it is chance: none is missing there",
            strength=0.0,
        ),
        needed(
            len(at_loss) >= 0.7 * max(len(holes), 1),
            "messages are missing there alone",
            "messages are missing elsewhere too",
            strength=WEAK,
        ),
        needed(
            bool(unacknowledged),
            "they are of QoS 0",
            "they are of QoS 1 or 2: those are sent again",
            strength=0.0,
        ),
        needed(len(few) > len(at_loss) / 2, "never many at once", "many at once", strength=WEAK),
    )


def _by_chance(facts: Facts, holes: list[tuple[Topic, Hole, int]]) -> float:
    """How probable it is that holes of these widths all lie where the link was lost."""
    run_ns = max(facts.scene.end_ns - facts.scene.start_ns, 1)
    losses = max(len(facts.run.link_of_messages.lost_ns), len(facts.run.link_of_messages.found_ns))
    reach = [hole.next_ns - hole.last_ns + 2 * topic.period_ns for topic, hole, _ in holes]
    return float(np.prod([min(losses * each / run_ns, 1.0) for each in reach]))


def _qos0(topic: Topic) -> bool:
    return bool((topic.rows["qos"].fill_null(0) == 0).all())


def half_open(_scene: Scene, facts: Facts) -> Answer:
    """The peer is gone, and publishing still succeeds until the keep-alive notices."""
    at_loss = _at_loss(facts, _holes(facts))
    if _untold(facts, at_loss):
        return _not_recorded()
    lost = facts.run.link_of_messages.lost_ns
    spans = [
        int(lost[at]) - hole.last_ns
        for _, hole, _ in at_loss
        if (at := int(lost.searchsorted(hole.last_ns))) < len(lost) and lost[at] <= hole.next_ns
    ]
    long = [span for span in spans if span >= 2 * _S]
    many = [each for each in at_loss if each[1].missing >= 3]
    return judged(
        needed(
            len(many) > 0 if facts.run.has_messages else None,
            f"several numbers in a row are missing, {times(len(many))}",
            "never several numbers in a row are missing",
            "which messages are missing: none were recorded",
            strength=FAIR,
            at=_hole_place(many),
        ),
        needed(
            len(long) > 0,
            f"the link's loss was noticed {in_words(max(long, default=0))} after the last delivery",
            "the link's loss was noticed at once",
            strength=FAIR,
        ),
        telling(
            _published_meanwhile(facts, many),
            "the firmware reported them as sent",
            "the firmware did not report them as sent",
            "whether the firmware took them for sent: it does not print that",
            strength=FAIR,
        ),
        unless(
            _silent_meanwhile(facts, many) if many else False, "the firmware was silent meanwhile"
        ),
    )


def _published_meanwhile(facts: Facts, holes: list[tuple[Topic, Hole, int]]) -> bool | None:
    pattern = r"(?i)publish|\bsent\b|\bpub\b|\btx\b"
    if not words.matching(facts.run.placed_prints, pattern).height:
        return None
    if any(facts.run.prints(h.last_ns, h.next_ns, pattern).height >= 2 for _, h, _ in holes):
        return True
    return False if all(logged(facts.run, h.last_ns, h.next_ns) for _, h, _ in holes) else None


def _silent_meanwhile(facts: Facts, holes: list[tuple[Topic, Hole, int]]) -> bool | None:
    """Whether the log has nothing over most of the holes either: the board itself stood.

    None where it was not recorded over any of them.
    """
    if not facts.run.has_prints:
        return False
    spans = [(h.last_ns, at) for _, h, at in holes]
    known = [span for span in spans if logged(facts.run, *span)]
    stood = [longest_silence(facts, *span) > 0.7 * (span[1] - span[0]) for span in known]
    return bool(np.mean(stood) > 0.5) if stood else None


CAUSES = (
    Cause(
        "at-most-once-loss",
        "A QoS 0 message was on its way as the link dropped",
        "network",
        (HEALTHY_BUS,),
        2.0,
        ("messages", "prints"),
        at_most_once_loss,
        ("qos-1",),
        "",
        "MQTT 3.1.1 section 4.3.1",
    ),
    Cause(
        "half-open",
        "The broker was gone, and publishing went on until that was noticed",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("messages", "prints"),
        half_open,
        ("halve-keep-alive",),
        "",
        "MQTT 3.1.1 section 3.1.2.10",
    ),
)
