"""Causes in a second controller on the bus: what both send at once is ANDed."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import polars as pl

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    judged,
    needed,
    place_of,
    telling,
    unless,
)
from console.diagnosis.causes.faces import (
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.scans import scans_in
from console.diagnosis.scene import Scene

_NEW = 20  # transfers of a bus after which one of a new kind counts as new
_ANY = (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, SILENT, DATA_HELD)


def second_controller(_scene: Scene, facts: Facts) -> Answer:
    """Two controllers send at once, and their bits are ANDed on the wire."""
    mixed = _and_rows(facts)
    cut = _cut_at_difference(facts)
    near = _starts_too_near(facts)
    said = facts.run.prints(*facts.life, r"(?i)arbitration|\barlo\b").height > 0
    ghosts = _ghost_rows(facts)
    haunted = ghosts.height >= 2 and bool(near)
    return judged(
        needed(
            mixed.height > 0 or cut >= 3 or haunted or (bool(said) and bool(near)),
            f"{mixed.height} transactions go to an address that is the AND of two known ones"
            if mixed.height
            else f"{cut} transactions stop at the bit where two known addresses first differ"
            if cut
            else f"{ghosts.height} transfers without data, which nobody made before, go to the "
            "address that is the AND of two devices'"
            if haunted
            else "the firmware says that it lost arbitration",
            "no address is the AND of two known ones",
            strength=STRONG,
            at=place_of(mixed if mixed.height else ghosts),
        ),
        telling(
            near or None,
            "STARTs follow a STOP more closely than one controller's do",
            "",
            "how closely STARTs follow a STOP",
        ),
        telling(
            said or None,
            "the firmware says that it lost arbitration",
            "",
            "whether arbitration was lost: the firmware does not say",
            strength=FAIR,
        ),
        unless(facts.once(scans_in).height > 0, "an address scan ran"),
    )


def _and_rows(facts: Facts) -> pl.DataFrame:
    """Transactions to an address nobody has that is the AND of two known ones."""
    known = facts.traffic.addresses
    usual = facts.traffic.bus.group_by("address").agg(pl.col("answered").sum())
    often = [a for a, n in usual.iter_rows() if a is not None and n >= 3]
    mixed = {a & b for a, b in combinations(often, 2)} - set(often)
    rows = facts.traffic.bus.filter(pl.col("address").is_in(list(mixed)))
    return rows.filter(~pl.col("answered")) if known else rows


def _ghost_rows(facts: Facts) -> pl.DataFrame:
    """Transfers without data to a device whose address is the AND of its own and another's.

    Of two addresses sent at once that one is left, and its device answers. Transfers without data
    must be new on this bus.
    """
    known = facts.traffic.addresses
    within = [a for a in known if any(a & b == a for b in known if b != a)]
    bus = facts.traffic.bus
    rows = bus.filter(
        pl.col("address").is_in(within) & (pl.col("length") == 0) & pl.col("answered")
    )
    before = bus.filter(pl.col("start_ns") < int(rows["start_ns"][0])) if rows.height else bus
    return rows if before.height >= _NEW else rows.clear()


def _cut_at_difference(facts: Facts) -> int:
    """STOPs inside the address byte, at the first bit in which two known addresses differ."""
    clocks = facts.clocks
    if clocks is None:
        return 0
    known = [a << 1 | rw for a in facts.traffic.addresses for rw in (0, 1)]
    pairs = {
        ((a & b) >> (8 - n), n)
        for a, b in combinations(known, 2)
        if a >> 1 != b >> 1
        for n in (8 - (a ^ b).bit_length() + 1,)
    }
    stops = clocks.inside_ns[np.isin(clocks.inside_ns, clocks.stop_ns)]
    first = clocks.rise_ns.searchsorted(
        clocks.start_ns[np.maximum(clocks.start_ns.searchsorted(stops) - 1, 0)]
    )
    last = clocks.rise_ns.searchsorted(stops)
    found = 0
    for begin, end in zip(first.tolist(), last.tolist(), strict=True):
        bits = clocks.sda[begin : end - 1]  # the last clock is the STOP's own
        value = int("".join("1" if bit else "0" for bit in bits) or "0", 2)
        found += len(bits) <= 8 and (value, len(bits)) in pairs
    return found


def _starts_too_near(facts: Facts) -> bool | None:
    """Whether a START follows a STOP within tBUF (1.3 us in fast, 4.7 us in standard mode)."""
    clocks = facts.clocks
    if clocks is None or not clocks.bit_ns or not len(clocks.stop_ns):
        return None
    least = 1_300 if clocks.bit_ns < 5_000 else 4_700
    if facts.scene.sample_ns * 2 > least:
        return None
    at = clocks.start_ns.searchsorted(clocks.stop_ns, "right")
    next_ns = np.concatenate([clocks.start_ns, [2**62]])[at]
    gap = next_ns - clocks.stop_ns
    return bool((gap < 0.8 * least).sum() > 0 and (gap < 0.8 * least).mean() < 0.2)


CAUSES = (
    Cause(
        "second-controller",
        "A second controller sends at the same time",
        "controller",
        _ANY,
        1.0,
        ("capture",),
        second_controller,
        ("one-caller",),
        "the other controller's SDA behind a series resistor",
        "UM10204 section 3.1.8",
    ),
)
