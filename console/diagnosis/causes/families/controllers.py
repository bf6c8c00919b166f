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
    hint,
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
from console.diagnosis.causes.traffic import polls_of
from console.diagnosis.scene import Scene

_NEW = 20  # transfers of a bus after which one of a new kind counts as new
_FEWEST_STEPS = 5  # between polls, from which a device's longest usual one is known
_MISSED = 1.5  # times longer than that, from which a poll is missing
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
        hint(
            near,
            "STARTs follow a STOP more closely than one controller's do",
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
    """Transactions to an address nobody has that is the AND of two known ones.

    It must be new on this bus, and come instead of transfers to one of the two, or where STARTs
    are too near: firmware also looks for a device that is not fitted.
    """
    bus = facts.traffic.bus
    usual = bus.group_by("address").agg(pl.col("answered").sum())
    often = [a for a, n in usual.iter_rows() if a is not None and n >= 3]
    mixed = {a & b for a, b in combinations(often, 2)} - set(often)
    rows = bus.filter(pl.col("address").is_in(list(mixed)) & ~pl.col("answered"))
    instead = _is_new(bus, rows) and (_starts_too_near(facts) or _instead(bus, rows, often))
    return rows if instead else rows.clear()


def _is_new(bus: pl.DataFrame, rows: pl.DataFrame) -> bool:
    """Whether there was traffic enough before these rows of it for them to be something new."""
    if not rows.height:
        return False
    return bus.filter(pl.col("start_ns") < int(rows["start_ns"][0])).height >= _NEW


def _instead(bus: pl.DataFrame, rows: pl.DataFrame, known: list[int]) -> bool:
    """Whether most rows fall where one of the two devices they are mixed of is not polled."""
    at_ns, address = rows["start_ns"].to_numpy(), rows["address"].to_numpy()
    missing = np.zeros(rows.height, np.bool_)
    for each in known:
        polls = polls_of(bus.filter(pl.col("address") == each))["start_ns"].to_numpy()
        steps = np.diff(polls[polls < at_ns[0]])
        if len(steps) < _FEWEST_STEPS:
            continue
        after = polls.searchsorted(at_ns)
        gaps = np.concatenate([polls, [2**62]])[after] - polls[after - 1]
        missing |= (address & each == address) & (gaps > _MISSED * np.percentile(steps, 95))
    return bool(missing.mean() > 0.5)


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
    return rows if _is_new(bus, rows) else rows.clear()


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
