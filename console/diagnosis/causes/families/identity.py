"""Causes in who answers, and as what: defaults, a second device, a check code of its own."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

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
from console.diagnosis.causes.content import (
    anded_since,
    frozen_of,
    two_contents,
    wrong_pairs,
)
from console.diagnosis.causes.faces import (
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.joints import joint_parts
from console.diagnosis.causes.reply_signs import frozen_now, left_over, reads_back, released
from console.diagnosis.causes.routes import routes_of
from console.diagnosis.causes.setup import setup_lost
from console.diagnosis.scene import Scene

_CONTENT = (WRONG_CONTENT, HEALTHY_BUS)
_JUST_BEFORE = 8  # transactions
Bytes = npt.NDArray[np.uint8]


def config_amnesia(_scene: Scene, facts: Facts) -> Answer:
    """The target restarted by itself and runs with its defaults."""
    lost = facts.once(setup_lost)
    words = lost.words if lost else "whether its content changed since it was set up"
    return judged(
        needed(
            None if lost is None else lost.written > 0,
            "the firmware sets the device up by writes",
            "the firmware never sets the device up",
            "whether it was set up: that was before the capture",
            strength=WEAK,
        ),
        needed(
            None if lost is None else lost.changed,
            words,
            words,
            words,
            strength=STRONG,
            at=Place("transactions", lost.from_ns) if lost and lost.changed else Place(),
        ),
        needed(
            None if lost is None else not lost.written_again,
            "it was not set up again since",
            "it was set up again since",
        ),
        unless(_frozen_before(facts), "the content is frozen as it was"),
        unless(facts.once(released).height > 0, "replies are all ones"),
    )


def _frozen_before(facts: Facts) -> bool:
    """Whether the content stood still before anything changed, and no register reads otherwise."""
    found = frozen_of(facts.traffic.replies)
    lost = facts.once(setup_lost)
    if not found or not found.beyond or not lost or lost.reads_back:
        return False
    return found.begins_ns < lost.from_ns - MS


def address_clash(_scene: Scene, facts: Facts) -> Answer:
    """Two devices answer under one address."""
    swaps, kinds = two_contents(facts.traffic.replies)
    alternate = swaps >= 4 and kinds == 2
    since = anded_since(facts.traffic.replies)
    return judged(
        needed(
            alternate or since is not None,
            f"two contents alternate under one address, {swaps} times"
            if alternate
            else "an address began to answer, and from then on replies are mixed",
            "one content only answers under this address",
            strength=FAIR,
        ),
        telling(since is not None, "the mixed bits are the AND of two contents", strength=FAIR),
        unless(facts.once(reads_back), "a register that was set up reads otherwise: it restarted"),
        unless(_was_away(facts, since), "it was away just before: it restarted"),
        unless(_mixed_asks(facts), "they answer different requests"),
        unless(facts.once(joint_parts), "they follow another joint of write and read"),
        unless(facts.once(routes_of).parts, "they follow the channel switch"),
    )


def _mixed_asks(facts: Facts) -> bool:
    return facts.traffic.replies["asked"].n_unique() > 4


def _was_away(facts: Facts, since_ns: int | None) -> bool:
    """Whether right before a moment the device was unanswered, or a line was held."""
    if since_ns is None:
        return False
    if facts.hold is not None and facts.hold.end_ns <= since_ns:
        return True
    before = facts.traffic.own_run.filter(pl.col("start_ns") < since_ns).tail(_JUST_BEFORE)
    return bool((~before["address_acked"].fill_null(value=True)).sum() >= 2)


def deterministic_check_failure(_scene: Scene, facts: Facts) -> Answer:
    """The same wrong pair of data and check code again and again: no noise."""
    same, wrong, passed = wrong_pairs(facts.bad_replies, facts.traffic)
    tells = facts.scene.table("packets").height > 0 or same > 0
    return judged(
        needed(
            same >= 3 if tells else None,
            f"{same} of {wrong} wrong replies are byte for byte the same",
            "wrong replies differ from each other",
            "which replies have wrong check codes: no packet description tells",
            strength=FAIR,
        ),
        needed(
            same >= 0.6 * max(wrong, 1),
            "most of the wrong ones are that one",
            "most of the wrong ones are others",
            strength=FAIR,
        ),
        needed(not passed, "it never passed", "the same bytes passed at other times"),
        unless(facts.once(released).height > 0, "they are all ones: nobody drives SDA"),
        unless(frozen_now(facts), "all replies are the same"),
        unless(_noisy(facts), "short pulses disturb the lines"),
        unless(facts.once(left_over), "they begin with what shorter reads left"),
    )


def _noisy(facts: Facts) -> bool:
    return facts.disturbed is not None and len(facts.disturbed.both_ns) > 3


CAUSES = (
    Cause(
        "config-amnesia",
        "The target restarted by itself and runs with its defaults",
        "target",
        (WRONG_CONTENT, HEALTHY_BUS, UNANSWERED),
        1.5,
        ("capture",),
        config_amnesia,
        ("set-up-again", "extra-supply"),
        "the target's supply",
        "seen in public issue reports",
    ),
    Cause(
        "address-clash",
        "Two devices answer under one address",
        "target",
        (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, SILENT),
        1.0,
        ("capture",),
        address_clash,
        ("unplug-one",),
        "",
        "UM10204 section 3.1.10; seen in public issue reports",
    ),
    Cause(
        "deterministic-check-failure",
        "The check code is computed otherwise: one pair always fails",
        "firmware",
        _CONTENT,
        1.0,
        ("capture",),
        deterministic_check_failure,
        ("half-speed",),
        "",
        "SMBus 3.2 section 6.4; seen in public issue reports",
    ),
)
