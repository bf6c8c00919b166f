"""Causes in how a target is reached and looked for: channel switches and address scans."""

from __future__ import annotations

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
    place_of,
    telling,
)
from console.diagnosis.causes.faces import (
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.routes import routes_of
from console.diagnosis.causes.scans import scans_in
from console.diagnosis.scene import Scene, is_own

_ANY = (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, SILENT, DATA_HELD)


def mux_misroute(_scene: Scene, facts: Facts) -> Answer:
    """The channel was not switched, or another one is open."""
    found = facts.once(routes_of)
    before, wrong = found.failed_ns, found.wrong_ns
    return judged(
        needed(
            found.switched >= 3,
            "a channel switch is written on this bus",
            "there is no channel switch on this bus",
            strength=WEAK,
        ),
        needed(
            found.parts or (len(before) > 0 and len(wrong) >= 0.5 * len(before)),
            "since the switch is set otherwise than before, replies mean something else"
            if found.parts
            else f"before {len(wrong)} of {len(before)} failed accesses the switch was refused, "
            "left out, or set to another channel than before the good ones",
            "the switch was set before failed accesses as before good ones",
            strength=STRONG,
            at=Place("transactions", wrong[0]) if wrong else Place(),
        ),
        telling(
            found.several or None,
            "the switch was told to open several channels at once",
            "",
            "whether several channels are open: the switch was told one at a time",
            strength=WEAK,
        ),
    )


def probe_damage(_scene: Scene, facts: Facts) -> Answer:
    """An address scan wedged the target, or altered it."""
    scan = facts.once(scans_in)
    begins = scan["start_ns"].to_list()
    before = [t for t in begins if t <= facts.dead[0]]
    probed = facts.traffic.bus.filter(
        is_own(facts.scene.episode)
        & (pl.col("length") == 0)
        & (pl.col("start_ns") >= (before[0] if before else 2**62))
    )
    near = max(5 * facts.traffic.period_ns, 2000 * MS)
    return judged(
        needed(
            bool(before),
            "ascending addresses were asked for without data",
            "no address scan ran before",
            strength=FAIR,
            at=place_of(scan),
        ),
        needed(
            probed.height > 0,
            "the device's address was among them",
            "the device's address was not among them",
            at=place_of(probed),
        ),
        needed(
            bool(before) and facts.stopped and facts.dead[0] - before[-1] < near,
            "the failure followed at once",
            "the failure did not follow at once",
            strength=FAIR,
        ),
    )


CAUSES = (
    Cause(
        "mux-misroute",
        "The channel switch stands on another channel",
        "controller",
        (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, DATA_HELD),
        2.0,
        ("capture",),
        mux_misroute,
        ("one-caller",),
        "the bus behind the switch",
        "seen in public issue reports",
    ),
    Cause(
        "probe-damage",
        "An address scan wedged or altered the target",
        "controller",
        _ANY,
        1.0,
        ("capture",),
        probe_damage,
        ("no-scan",),
        "",
        "UM10204 section 3.1.10 note 5 (void messages); seen in public issue reports",
    ),
)
