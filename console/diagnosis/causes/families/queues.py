"""Causes in the queues that replies come from: bytes left over, records cut."""

from __future__ import annotations

from console.diagnosis.causes.cause import (
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    unless,
)
from console.diagnosis.causes.faces import (
    HEALTHY_BUS,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.reply_signs import left_over, released
from console.diagnosis.causes.rotation import leftovers_of, rotated_of
from console.diagnosis.scene import Scene

_CONTENT = (WRONG_CONTENT, HEALTHY_BUS)


def leftover_byte(_scene: Scene, facts: Facts) -> Answer:
    """The responder's FIFO keeps bytes of the reply before."""
    found = leftovers_of(facts.traffic.replies)
    return judged(
        needed(
            found is not None,
            "some reads are shorter than the reply that is loaded",
            "no read is shorter than what is loaded",
            strength=WEAK,
        ),
        needed(
            found is not None and found.count >= 3 and found.fit >= 0.5,
            f"in {found.fit:.0%} of {found.count} replies after them the fields stand further by "
            "the bytes left unread"
            if found
            else "replies begin with what was left",
            "replies after them begin where they should",
            strength=STRONG,
            at=Place("transactions", found.from_ns) if found else Place(),
        ),
        unless(facts.once(released).height > 0, "they are all ones: nobody drives SDA"),
    )


def fifo_slip(_scene: Scene, facts: Facts) -> Answer:
    """The sensor's FIFO overflowed or was read across a record's border: the fields rotate."""
    found = rotated_of(facts.traffic.replies)
    return judged(
        needed(
            found is not None,
            f"from one reply on, every field stands {found.shift} bytes further, and fits there"
            if found
            else "fields rotate",
            "fields stay in their places",
            strength=STRONG,
            at=Place("transactions", found.from_ns) if found else Place(),
        ),
        unless(facts.once(left_over), "they begin with what shorter reads left"),
        unless(facts.once(released).height > 0, "replies are all ones"),
    )


CAUSES = (
    Cause(
        "leftover-byte",
        "Bytes of the previous reply stay in the responder's FIFO",
        "target",
        _CONTENT,
        1.5,
        ("capture",),
        leftover_byte,
        ("dummy-read", "poll-rate"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "fifo-slip",
        "The sensor's FIFO was read across the border of a record",
        "target",
        _CONTENT,
        1.0,
        ("capture",),
        fifo_slip,
        ("poll-rate",),
        "",
        "seen in public issue reports",
    ),
)
