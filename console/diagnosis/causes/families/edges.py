"""Causes that show as edges nobody makes on purpose: spikes, slips, slow rises, coupling."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    Place,
    hint,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.scene import Int64s, Scene

_COARSE = "the samples are too far apart for pulses of half a clock, or the wire was not kept"
_ALL = (DATA_HELD, CLOCK_HELD, UNANSWERED, WRONG_CONTENT, SILENT_COMPLAINED, SILENT, HEALTHY_BUS)
_LAST_NS = 20 * MS  # before the end, in which a slip must lie to have caused it


def _final(facts: Facts, t_ns: Int64s) -> Int64s:
    """Those of the last transfers: a slip ruins the transfer it lies in, or the next."""
    begin = facts.traffic.last_good_ns - _LAST_NS
    end = facts.dead[0] + max(_LAST_NS, facts.traffic.period_ns // 4)
    return t_ns[(t_ns >= begin) & (t_ns <= end)]


def _one_over(facts: Facts) -> bool | None:
    """Whether a transfer of the end has one clock more or less than whole bytes."""
    clocks = facts.clocks
    if clocks is None:
        return None
    ends = np.sort(np.concatenate([clocks.inside_ns]))
    final = _final(facts, ends)
    if not len(final):
        return False
    slots = clocks.slot[clocks.rise_ns.searchsorted(final, "right") - 1]
    return bool(np.isin(slots, (1, 8)).any())


def _unheard_shape(facts: Facts) -> bool | None:
    usual = facts.traffic.usual_shapes
    if usual is None:
        return None
    first_bad = facts.traffic.last.tail(2)
    return bool((~first_bad["shape"].is_in(list(usual))).any())


def bit_slip(_scene: Scene, facts: Facts) -> Answer:
    """One side counted a clock more, or less, than the other."""
    found = facts.disturbed
    slips = None if found is None else _final(facts, found.scl_ns)
    bursts = None if found is None else len(found.bursts_ns)
    return judged(
        needed(
            None if slips is None else 0 < len(slips) <= 3,
            "a clock of less than half the usual width lies in the last transfers",
            "every clock of the last transfers has about its usual width",
            _COARSE,
            strength=STRONG,
            at=Place("", int(slips[0])) if slips is not None and len(slips) else Place(),
        ),
        telling(
            _one_over(facts),
            "a transfer there has one clock more or less than whole bytes",
            "all transfers there have whole bytes",
        ),
        telling(
            _unheard_shape(facts),
            "the transfer after it has a shape that was never seen before",
            "the transfer after it has a usual shape",
            "whether its shape is new: this bus has no fixed shapes",
        ),
        telling(None if bursts is None else bursts <= 2, "it is the only one", "there are more"),
        unless(
            None if found is None else len(_final(facts, found.runts_after_stretch_ns)) > 0,
            "the short clock follows a stretch",
        ),
        unless(len(_final(facts, facts.dips_ns)) > 0, "both lines dipped together there"),
        unless(facts.coupled, "short pulses begin at edges of the other line"),
    )


def runt_after_stretch(_scene: Scene, facts: Facts) -> Answer:
    """The controller's clock runs on during a stretch and cuts the first HIGH after it."""
    found = facts.disturbed
    after = None if found is None else found.runts_after_stretch_ns
    stretched = 0 if found is None else int(found.after_stretch.sum())
    others = 0 if found is None else len(found.runts_ns)
    return judged(
        needed(
            None if after is None else len(after) > 0,
            "the first clock after a stretch was cut to less than half the usual HIGH",
            "no clock after a stretch is short",
            _COARSE,
            strength=STRONG,
            at=Place("", int(after[0])) if after is not None and len(after) else Place(),
        ),
        telling(
            None if after is None else others <= len(after) // 4,
            "short clocks are found after stretches alone",
            "short clocks are found elsewhere too",
            strength=FAIR,
        ),
        telling(
            None if after is None or not len(after) else len(_final(facts, after)) > 0,
            f"one of them is in the last transfers; {stretched} clocks were stretched",
            "none of them is in the last transfers",
        ),
    )


def _nacks_spread(facts: Facts) -> bool | None:
    """Whether more than one address, and most of those that answer, also go unanswered."""
    bus = facts.traffic.bus
    known = facts.traffic.addresses
    if bus.height < 50:
        return None
    missed = bus.filter(~pl.col("answered"))["address"].drop_nulls().unique().to_list()
    return len(known) > 1 and len(set(missed) & set(known)) * 2 > len(known)


def slow_edges(_scene: Scene, facts: Facts) -> Answer:
    """Rises that take as long as a good part of a clock."""
    found = facts.disturbed
    chatter = None if found is None else len(found.chatter_ns)
    few = 0 if facts.clocks is None else len(facts.clocks) // 1_000
    spread = 0.0 if found is None else found.high_spread
    usual = (0, 0) if facts.clocks is None else _high_low(facts)
    return judged(
        needed(
            None if chatter is None else chatter > max(few, 3) or (spread > 3 and usual[0] > 0),
            f"SCL crossed its threshold several times in {chatter} rises"
            if chatter
            else "SCL HIGH varies several times as much as LOW",
            "every rise has one edge, and HIGH varies no more than LOW",
            _COARSE,
        ),
        needed(
            _nacks_spread(facts),
            "most addresses go unanswered now and then",
            "addresses do not go unanswered here and there",
            "whether several addresses go unanswered: too few transactions",
        ),
        hint(
            usual[0] < 0.7 * usual[1] if usual[0] else None,
            "SCL is high for much less than it is low",
            "how long SCL is high: too few clocks",
        ),
    )


def _high_low(facts: Facts) -> tuple[int, int]:
    clocks = facts.clocks
    return (0, 0) if clocks is None else (clocks.high_usual_ns, clocks.low_usual_ns)


def _acts(facts: Facts) -> Int64s:
    """Moments at which an actuator was told to move: prints and commands."""
    prints = words.matching(facts.run.placed_prints, words.ACTUATOR)["t_ns"].to_numpy()
    messages = facts.scene.table("messages")
    told = messages.filter(messages["topic"].str.contains(words.ACTUATOR))["t_ns"].to_numpy()
    return np.sort(np.concatenate([prints, told]))


def _follows_acts(facts: Facts, bursts: Int64s) -> bool | None:
    """Whether most bursts follow an actuator's act at one lag, and chance would not do that."""
    acts = _acts(facts)
    if not len(acts) or len(bursts) < 2:
        return None
    at = acts.searchsorted(bursts + 30 * MS, "right") - 1
    lags = bursts[at >= 0] - acts[at[at >= 0]]
    if len(lags) < 2:
        return False
    gap = float(np.median(np.diff(acts))) if len(acts) > 1 else 10e9
    middle = float(np.median(lags))
    close = np.mean(np.abs(lags - middle) < min(50 * MS, gap / 10))
    return bool(middle < 1_000 * MS and close >= 0.7)


def interference_burst(_scene: Scene, facts: Facts) -> Answer:
    """A motor, relay or radio disturbs both lines at a fixed lag after it was switched."""
    found = facts.disturbed
    bursts = None if found is None else found.bursts_ns
    both = None if found is None else bool(len(found.scl_ns)) and bool(len(found.sda_ns))
    coupled, pulses = (0, 0) if found is None else found.coupled
    return judged(
        needed(
            None if bursts is None else len(bursts) >= 2,
            f"short pulses came in {0 if bursts is None else len(bursts)} bursts",
            "there are no bursts of short pulses",
            _COARSE,
            at=Place("", int(bursts[0])) if bursts is not None and len(bursts) else Place(),
        ),
        needed(both, "both lines have them", "only one line has them", _COARSE),
        needed(
            None if bursts is None else _follows_acts(facts, bursts),
            "they follow an actuator's commands at one lag",
            "they do not follow an actuator's commands",
            "whether they follow an actuator: none is printed or commanded",
            strength=STRONG,
        ),
        unless(
            pulses > 4 and coupled > 0.8 * pulses, "nearly all begin at an edge of the other line"
        ),
    )


def crosstalk(_scene: Scene, facts: Facts) -> Answer:
    """Edges of one line show as short pulses on the other."""
    found = facts.disturbed
    coupled, pulses = (0, 0) if found is None else found.coupled
    return judged(
        needed(
            None if found is None else coupled >= 5,
            f"{coupled} short pulses of one line begin at an edge of the other",
            "short pulses of one line do not begin at edges of the other",
            _COARSE,
            strength=STRONG,
        ),
        needed(
            None if found is None else coupled > 0.6 * max(pulses, 1),
            f"that is {coupled} of {pulses} short pulses",
            f"those are {coupled} of {pulses} short pulses only",
            _COARSE,
            strength=FAIR,
        ),
    )


CAUSES = (
    Cause(
        "bit-slip",
        "A false or missed clock: one side counts one more than the other",
        "wire",
        _ALL,
        2.0,
        ("capture",),
        bit_slip,
        ("half-speed", "actuators-off"),
        "SCL through an analogue channel",
        "UM10204 table 11, tSP; application note on stuck buses",
    ),
    Cause(
        "runt-after-stretch",
        "The controller cuts the first clock after a stretch",
        "controller",
        _ALL,
        1.0,
        ("capture",),
        runt_after_stretch,
        ("no-stretch", "half-speed"),
        "",
        "UM10204 section 3.1.9; seen in public issue reports",
    ),
    Cause(
        "slow-edges",
        "The lines rise too slowly",
        "wire",
        _ALL,
        1.5,
        ("capture",),
        slow_edges,
        ("half-speed",),
        "both lines through analogue channels",
        "UM10204 sections 7.1 and 3.1.2; article 'I2C Hardware Debugging'",
    ),
    Cause(
        "interference-burst",
        "Something that switches disturbs both lines",
        "wire",
        _ALL,
        1.5,
        ("capture",),
        interference_burst,
        ("actuators-off", "half-speed"),
        "the actuator's drive line",
        "seen in public questions on motors beside I2C",
    ),
    Cause(
        "crosstalk",
        "An edge of one line couples into the other",
        "wire",
        _ALL,
        1.0,
        ("capture",),
        crosstalk,
        ("half-speed", "actuators-off"),
        "both lines through analogue channels",
        "application note on stuck buses, its section on crosstalk",
    ),
)
