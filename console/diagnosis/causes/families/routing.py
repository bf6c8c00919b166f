"""Causes in how a target is reached and looked for: channel switches and address scans."""

from __future__ import annotations

import numpy as np
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
)
from console.diagnosis.causes.faces import (
    DATA_HELD,
    HEALTHY_BUS,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.scans import scans_in
from console.diagnosis.scene import Int64s, Scene

_ANY = (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, DATA_HELD)
_MUX = (0x70, 0x77)  # where channel switches of two-wire buses sit by their data sheets


def mux_misroute(_scene: Scene, facts: Facts) -> Answer:
    """The channel was not switched, or another one is open."""
    writes = _mux_writes(facts)
    good = writes.filter(pl.col("answered") & (pl.col("length") == 1))
    before, wrong = _routes(facts, writes)
    return judged(
        needed(
            good.height >= 3,
            "a channel switch is written on this bus",
            "there is no channel switch on this bus",
            strength=WEAK,
        ),
        needed(
            len(before) > 0 and len(wrong) >= 0.5 * len(before),
            f"before {len(wrong)} of {len(before)} failed accesses the switch was refused, left "
            "out, or set to another channel than before the good ones",
            "the switch was set before failed accesses as before good ones",
            strength=STRONG,
            at=Place("transactions", wrong[0]) if wrong else Place(),
        ),
    )


def _mux_writes(facts: Facts) -> pl.DataFrame:
    """One-byte writes to addresses of channel switches."""
    return facts.traffic.bus.filter(
        pl.col("address").is_between(*_MUX)
        & ~pl.col("read")
        & (pl.col("address") != facts.scene.episode.address)
        & (pl.col("length") <= 1)
    )


def _routes(facts: Facts, writes: pl.DataFrame) -> tuple[list[int], list[int]]:
    """Failed own accesses, and those of them whose switch write is not as before good ones."""
    own = facts.traffic.own.filter(pl.col("started_by") != "restart")
    times = writes["start_ns"].to_numpy()
    values = [*writes["data"].to_list(), "never"]
    acked = [*writes["answered"].to_list(), False]
    at = times.searchsorted(own["start_ns"].to_numpy()) - 1
    route = [values[k] if k >= 0 and acked[k] else "refused" for k in at.tolist()]
    fresh = _fresh(own, times)
    bad_starts = (
        set() if facts.bad_replies is None else set(facts.bad_replies["start_ns"].to_list())
    )
    failed = [
        (not answered) or start in bad_starts or start >= facts.dead[0]
        for answered, start in zip(own["answered"], own["start_ns"], strict=True)
    ]
    rows = list(zip(own["start_ns"].to_list(), route, fresh, failed, strict=True))
    usual = [(r, f) for _, r, f, bad in rows if not bad]
    if not usual:
        return [], []
    common = max(set(usual), key=usual.count)
    bad_rows = [row for row in rows if row[3]]
    return [t for t, *_ in bad_rows], [t for t, r, f, _ in bad_rows if (r, f) != common]


def _fresh(own: pl.DataFrame, times: Int64s) -> list[bool]:
    """Whether the switch was written since the own access before."""
    starts = own["start_ns"].to_numpy()
    at = times.searchsorted(starts)
    return [True, *(np.diff(at) > 0).tolist()] if len(at) else []


def probe_damage(_scene: Scene, facts: Facts) -> Answer:
    """An address scan wedged the target, or altered it."""
    scan = scans_in(facts)
    address = facts.scene.episode.address
    begins = scan["start_ns"].to_list()
    before = [t for t in begins if t <= facts.dead[0]]
    probed = facts.traffic.bus.filter(
        (pl.col("address") == address)
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
