"""Causes in who asks for what: callers without a lock, other controllers, muxes, scans."""

from __future__ import annotations

import re
from functools import reduce
from itertools import combinations

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
    telling,
    unless,
)
from console.diagnosis.causes.faces import (
    DATA_HELD,
    HEALTHY_BUS,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.joints import fresh_by_joint, joint_parts
from console.diagnosis.causes.patterns import pattern_of
from console.diagnosis.causes.traffic import WHOLE
from console.diagnosis.scene import Int64s, Scene

_ANY = (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, DATA_HELD)
_MUX = (0x70, 0x77)  # where channel switches of two-wire buses sit by their data sheets
_CAPS = (16, 30, 31, 32, 64, 127, 128, 255, 256)  # of libraries' buffers
_LENGTH = re.compile(r"(?i)\blen(?:gth)?\s*[=:]?\s*(\d{1,5})|(\d{1,5})\s*(?:bytes|byte|B)\b")


def _place(rows: pl.DataFrame) -> Place:
    return Place("transactions", int(rows["start_ns"][0])) if rows.height else Place()


# --- callers without a lock


def _mixed(facts: Facts) -> tuple[pl.DataFrame, int]:
    """Own reads that somebody else's transaction parted from their write, and all own reads.

    Parted by a transaction to another address, or by a second register write to the same one.
    """
    before, before_2 = pl.col("address").shift(1), pl.col("address").shift(2)
    register = ~pl.col("read") & (pl.col("length") == 1)
    rows = facts.traffic.bus.with_columns(
        foreign=(before != pl.col("address")) & (before_2 == pl.col("address")),
        crossed=(before == pl.col("address")) & (before_2 == pl.col("address")),
        write=register.shift(1),
        write_2=register.shift(2),
    )
    reads = rows.filter((pl.col("address") == facts.scene.episode.address) & pl.col("read"))
    parted = pl.col("write_2") & (pl.col("foreign") | (pl.col("crossed") & pl.col("write")))
    return reads.filter((pl.col("started_by") == "start") & parted), reads.height


def interleaved_callers(_scene: Scene, facts: Facts) -> Answer:
    """Two tasks share the bus without a lock over write and read."""
    mixed, reads = _mixed(facts)
    share = mixed.height / max(reads, 1)
    return judged(
        needed(
            mixed.height > 0,
            f"{mixed.height} reads were parted from their register write by another transaction",
            "no read was parted from its register write",
            strength=FAIR,
            at=_place(mixed),
        ),
        needed(
            0 < share < 0.3,
            f"the other {reads - mixed.height} follow their write at once",
            "that is the usual order here",
            strength=FAIR,
        ),
        telling(
            _bad_among(facts, mixed),
            "their replies are wrong more often than others",
            "their replies are as good as others",
            "whether their replies are wrong: nothing tells good ones from wrong ones",
            strength=FAIR,
        ),
        unless(_scan(facts).height > 0, "an address scan ran"),
    )


def _bad_among(facts: Facts, rows: pl.DataFrame) -> bool | None:
    bad = facts.bad_replies
    if bad is None or not rows.height:
        return None
    starts = set(bad["start_ns"].to_list())
    hit = sum(t in starts for t in rows["start_ns"].to_list()) / rows.height
    rest = (len(starts) - hit * rows.height) / max(facts.traffic.replies.height - rows.height, 1)
    return hit > 0.3 and hit > 5 * rest


# --- asked for what nobody asks


def wrong_transaction(_scene: Scene, facts: Facts) -> Answer:
    """The driver sends what nobody asked for: a shape never seen before, and then the end."""
    usual = facts.traffic.usual_shapes
    odd = None if usual is None else _odd_before_end(facts, usual)
    return judged(
        needed(
            None if odd is None else odd.height > 0,
            "a transaction of a shape that was never seen before came right before the end",
            "every transaction before the end has a usual shape",
            "which shapes are usual: this bus has too many",
            strength=STRONG,
            at=_place(odd) if odd is not None else Place(),
        ),
        telling(
            None if odd is None else odd.height == 1 and bool(odd["answered"].all()),
            "it is whole, and was acknowledged",
        ),
        unless(_scan(facts).height > 0, "an address scan ran"),
        unless(_rebooted_before(facts), "the firmware restarted: it sets its devices up anew"),
        unless(
            None if facts.disturbed is None else _slipped(facts), "a short clock lies before it"
        ),
        unless(bool(odd is not None and odd.height and _ands(facts, odd)), "two controllers spoke"),
    )


def _odd_before_end(facts: Facts, usual: set[str]) -> pl.DataFrame:
    """Whole transactions of the bus around the end, of a shape seen twice at most."""
    begin = facts.traffic.last_good_ns - 2 * facts.traffic.period_ns - MS
    rows = facts.traffic.bus.filter(
        (pl.col("start_ns") >= begin)
        & (pl.col("start_ns") <= facts.dead[0] + MS)
        & WHOLE
        & ~pl.col("shape").is_in(list(usual))
    )
    counts = facts.traffic.whole_run["shape"].value_counts()
    rare = counts.filter(pl.col("count") <= 2)["shape"].to_list()
    own = pl.col("address") == facts.scene.episode.address
    return rows.filter(pl.col("shape").is_in(rare) & own)


def _rebooted_before(facts: Facts) -> bool:
    begin = facts.traffic.last_good_ns - 2 * facts.traffic.period_ns - 1000 * MS
    return bool(facts.restarts["t_ns"].is_between(begin, facts.dead[0] + 200 * MS).any())


def _slipped(facts: Facts) -> bool:
    found = facts.disturbed
    if found is None:
        return False
    t_ns = found.scl_ns
    return bool(((t_ns > facts.traffic.last_good_ns - MS) & (t_ns <= facts.dead[0] + MS)).any())


# --- two controllers


def _ands(facts: Facts, rows: pl.DataFrame) -> bool:
    known = [a for a in facts.traffic.addresses if a not in set(rows["address"].drop_nulls())]
    mixed = {a & b for a, b in combinations(known, 2)} - set(facts.traffic.addresses)
    return bool(rows["address"].is_in(list(mixed)).any())


def _and_rows(facts: Facts) -> pl.DataFrame:
    """Transactions to an address nobody has that is the AND of two known ones."""
    known = facts.traffic.addresses
    usual = facts.traffic.bus.group_by("address").agg(pl.col("answered").sum())
    often = [a for a, n in usual.iter_rows() if a is not None and n >= 3]
    mixed = {a & b for a, b in combinations(often, 2)} - set(often)
    rows = facts.traffic.bus.filter(pl.col("address").is_in(list(mixed)))
    return rows.filter(~pl.col("answered")) if known else rows


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


def second_controller(_scene: Scene, facts: Facts) -> Answer:
    """Two controllers send at once, and their bits are ANDed on the wire."""
    mixed = _and_rows(facts)
    cut = _cut_at_difference(facts)
    near = _starts_too_near(facts)
    said = facts.prints(*facts.life, r"(?i)arbitration|\barlo\b").height > 0
    return judged(
        needed(
            mixed.height > 0 or cut >= 3 or (bool(said) and bool(near)),
            f"{mixed.height} transactions go to an address that is the AND of two known ones"
            if mixed.height
            else f"{cut} transactions stop at the bit where two known addresses first differ"
            if cut
            else "the firmware says that it lost arbitration",
            "no address is the AND of two known ones",
            strength=STRONG,
            at=_place(mixed),
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
        unless(_scan(facts).height > 0, "an address scan ran"),
    )


# --- muxes and scans


def _mux_writes(facts: Facts) -> pl.DataFrame:
    """One-byte writes to addresses of channel switches."""
    return facts.traffic.bus.filter(
        pl.col("address").is_between(*_MUX)
        & ~pl.col("read")
        & (pl.col("address") != facts.scene.episode.address)
        & (pl.col("length") <= 1)
    )


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


def _scan(facts: Facts) -> pl.DataFrame:
    """The first row of each run of eight ascending addresses without data, within a second."""
    rows = facts.traffic.bus.filter(pl.col("length") == 0)
    if rows.height < 8:
        return rows.clear()
    step = pl.col("address").diff().shift(-1)
    close = (pl.col("start_ns").shift(-7) - pl.col("start_ns")) < 1000 * MS
    rising = reduce(lambda a, b: a & b, [step.shift(-k).is_between(1, 2) for k in range(7)])
    return rows.filter((rising & close).fill_null(value=False))


def probe_damage(_scene: Scene, facts: Facts) -> Answer:
    """An address scan wedged the target, or altered it."""
    scan = _scan(facts)
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
            at=_place(scan),
        ),
        needed(
            probed.height > 0,
            "the device's address was among them",
            "the device's address was not among them",
            at=_place(probed),
        ),
        needed(
            bool(before) and facts.stopped and facts.dead[0] - before[-1] < near,
            "the failure followed at once",
            "the failure did not follow at once",
            strength=FAIR,
        ),
    )


# --- joints and lengths


def joint_error(_scene: Scene, facts: Facts) -> Answer:
    """A STOP where a repeated START is needed, or the reverse."""
    shares = fresh_by_joint(facts)
    return judged(
        needed(
            len(shares) == 2,
            "reads follow their write by a STOP and START here, by a repeated START there",
            "every read follows its write in the same way",
            strength=FAIR,
        ),
        needed(
            joint_parts(facts),
            "replies after one of the two are filler, wrong or never new; after the other they "
            "are sound",
            "replies after both are alike",
            strength=STRONG,
        ),
    )


def _printed_lengths(facts: Facts) -> list[int]:
    texts = facts.prints(*facts.life)["text"].to_list()
    found = [m for text in texts for m in _LENGTH.findall(text or "")]
    return [int(a or b) for a, b in found]


def length_cap(_scene: Scene, facts: Facts) -> Answer:
    """The library stops at its buffer, and the firmware takes the rest for data."""
    lengths = facts.traffic.replies["length"]
    cap = int(lengths.max() or 0)  # type: ignore[arg-type]
    longer = sorted({n for n in _printed_lengths(facts) if cap < n <= 8192})
    said = _says_longer(facts, cap)
    return judged(
        needed(
            cap in _CAPS,
            f"no read is longer than {cap} bytes, the size of a library's buffer",
            f"the longest read has {cap} bytes, no size of a buffer",
            strength=FAIR,
        ),
        needed(
            (bool(longer) or said) if facts.has_prints or said else None,
            f"the firmware speaks of {longer[0]} bytes"
            if longer
            else "the reply says it is longer",
            "nobody speaks of more bytes",
            "whether more was wanted: there is no log",
            strength=STRONG,
        ),
        telling(
            int((lengths == cap).sum()) > 1 if cap else False,
            "more than one read stops exactly there",
        ),
    )


def _says_longer(facts: Facts, cap: int) -> bool:
    """Whether replies that stop at the cap begin with a length byte that promises more."""
    rows = facts.traffic.replies.filter(pl.col("length") == cap)
    firsts = [int(data[:2], 16) for data in rows["data"].to_list() if data]
    shorter = facts.traffic.replies.filter(pl.col("length") < cap)
    fits = [
        int(data[:2], 16) + extra == len(data) // 2
        for data in shorter["data"].to_list()
        for extra in (1, 2)
    ]
    return bool(fits) and any(fits) and any(first + 1 > cap for first in firsts)


def data_dependent_corruption(_scene: Scene, facts: Facts) -> Answer:
    """The controller moves SDA while SCL is high whenever a certain pattern is sent."""
    found = None if facts.clocks is None else pattern_of(facts)
    disturbed = facts.disturbed
    return judged(
        needed(
            None if found is None else found.inside >= 2,
            f"SDA moves {0 if found is None else found.inside} times with SCL high, inside bytes",
            "SDA never moves while SCL is high inside a byte",
            "whether SDA moves while SCL is high: the wire was not kept",
            strength=FAIR,
            at=Place("", found.first_ns) if found and found.inside else Place(),
        ),
        needed(
            None if found is None else found.explained,
            f"each time after {found.words}, and never after others" if found else "by its data",
            "what was sent before does not tell when",
            strength=STRONG,
        ),
        unless(
            None
            if disturbed is None or found is None
            else len(disturbed.runts_ns) >= found.inside > 0,
            "short clocks go with it",
        ),
    )


CAUSES = (
    Cause(
        "interleaved-callers",
        "Two tasks share the bus without a lock",
        "controller",
        _ANY,
        2.0,
        ("capture",),
        interleaved_callers,
        ("one-caller",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "wrong-transaction",
        "The driver sends what nobody asked for",
        "controller",
        _ANY,
        1.5,
        ("capture",),
        wrong_transaction,
        ("one-caller", "prints-off"),
        "",
        "seen in public issue reports",
    ),
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
    Cause(
        "joint-error",
        "Write and read are joined in the wrong way",
        "controller",
        (WRONG_CONTENT, UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        joint_error,
        ("other-joint", "wait-before-read"),
        "",
        "UM10204 section 3.1.10; SMBus 3.2 section 6.5",
    ),
    Cause(
        "length-cap",
        "The library stops reading at the size of its buffer",
        "controller",
        (HEALTHY_BUS, WRONG_CONTENT),
        1.0,
        ("capture", "prints"),
        length_cap,
        ("length-sweep",),
        "",
        "SMBus 3.2 section 6.5.7 (32 bytes, later 255); seen in public issue reports",
    ),
    Cause(
        "data-dependent-corruption",
        "Certain data make the controller move SDA while SCL is high",
        "controller",
        (WRONG_CONTENT, UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        data_dependent_corruption,
        ("half-speed",),
        "",
        "UM10204 section 3.1.3",
    ),
)
