"""Causes in the pace of the clock: stretches that grow, and pauses where nobody stretches."""

from __future__ import annotations

import numpy as np

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.creep import creep_of
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.scene import Int64s, Scene
from decoders.durations import in_words


def stretch_creep(_scene: Scene, facts: Facts) -> Answer:
    """The target takes longer and longer, until the controller gives up."""
    creep = creep_of(facts)
    return judged(
        needed(
            None if creep is None else creep.stretches,
            "the target stretches the clock",
            "the target does not stretch the clock",
            "how long it stretches: the wire was not kept",
            strength=WEAK,
        ),
        needed(
            None if creep is None else creep.grew,
            f"its stretches grew from {in_words(creep.early_ns)} to {in_words(creep.late_ns)}"
            if creep
            else "its stretches grew",
            "its stretches did not grow",
            strength=STRONG,
        ),
        needed(
            None if creep is None else creep.last_longest,
            f"the last, {in_words(creep.last_ns)}, is the longest: there it was given up"
            if creep
            else "the last is the longest",
            "the transfer that failed was not stretched the longest",
            strength=FAIR,
            at=Place("transactions", facts.dead[0]),
        ),
    )


def starved_transfer(_scene: Scene, facts: Facts) -> Answer:
    """Interrupts or the scheduler stop the controller in the middle of bytes."""
    pauses = facts.pauses_ns
    places = 0 if pauses is None else _places(facts, pauses)
    return judged(
        needed(
            facts.starved,
            f"the clock paused {0 if pauses is None else len(pauses)} times inside bytes, where no "
            "target stretches",
            "the clock does not pause inside bytes",
            "pauses inside bytes: the wire was not kept",
            strength=STRONG,
            at=Place("", int(pauses[0])) if pauses is not None and len(pauses) else Place(),
        ),
        telling(
            places >= 3,
            f"at {places} places of a byte: any bit is as good as another",
            "always at one or two places of a byte",
            strength=FAIR,
        ),
        telling(
            _pauses_before_end(facts, pauses) if pauses is not None and facts.stopped else None,
            "a pause lies in the transfer before the end",
            "no pause lies in the transfer before the end",
            "whether a pause lies before the end: there is no end",
        ),
        unless(bool(facts.clocked_by_hand), "clocks were made by hand"),
        unless(facts.coupled, "edges of one line make clocks of the other"),
    )


def _places(facts: Facts, pauses: Int64s) -> int:
    """How many different clocks of a byte they lie before."""
    clocks = facts.clocks
    if clocks is None:
        return 0
    return len(np.unique(clocks.slot[clocks.rise_ns.searchsorted(pauses)]))


def _pauses_before_end(facts: Facts, pauses: Int64s) -> bool:
    return bool((pauses > facts.traffic.last_good_ns - MS).any())


CAUSES = (
    Cause(
        "stretch-creep",
        "The target stretches longer and longer, beyond the controller's limit",
        "target",
        (UNANSWERED, CLOCK_HELD, SILENT_COMPLAINED, SILENT, HEALTHY_BUS, WRONG_CONTENT),
        1.5,
        ("capture",),
        stretch_creep,
        ("longer-limit",),
        "",
        "UM10204 section 3.1.9; SMBus 3.2, tLOW:SEXT",
    ),
    Cause(
        "starved-transfer",
        "Interrupts or other tasks stop the controller in the middle of a byte",
        "controller",
        (HEALTHY_BUS, UNANSWERED, WRONG_CONTENT, SILENT_COMPLAINED, SILENT, CLOCK_HELD),
        1.5,
        ("capture",),
        starved_transfer,
        ("network-off",),
        "",
        "SMBus 3.2, tLOW:MEXT; seen in public issue reports",
    ),
)
