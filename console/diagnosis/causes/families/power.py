"""Causes in supplies, pins and plugs: what restarts a target, loads the lines or drops them."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    hint,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.clocks import near
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
from console.diagnosis.scene import Scene

_TOGETHER = 2.0  # polls of the slowest device within which all went silent at one instant
_ANY = (DATA_HELD, UNANSWERED, WRONG_CONTENT, SILENT_COMPLAINED, SILENT, HEALTHY_BUS)


def _gone_together(facts: Facts) -> tuple[list[int], bool]:
    """Addresses that stopped answering at the first bad moment, and whether they came back apart.

    A device counts when it was answering before, and its first transaction from the moment on, and
    the next if there is one before it is back, was not acknowledged.
    """
    begin, end = facts.dead
    slack = max(int(_TOGETHER * facts.traffic.period_ns), 50 * MS)
    gone, back = [], []
    for address in facts.traffic.addresses:
        rows = facts.traffic.bus.filter(pl.col("address") == address)
        after = rows.filter((pl.col("start_ns") >= begin - slack) & (pl.col("start_ns") < end))
        bad = after.filter(~pl.col("address_acked").fill_null(value=False))
        if bad.height < 2 or int(bad["start_ns"][0]) > begin + slack:
            continue
        good = rows.filter((pl.col("start_ns") > int(bad["start_ns"][0])) & pl.col("answered"))
        if good.height and bool((bad["start_ns"] > int(good["start_ns"][0])).any()):
            continue  # it comes and goes: no restart
        gone.append(address)
        back.append(int(good["start_ns"][0]) if good.height else 2**62)
    return gone, len(set(back)) == len(back)


def supply_dip(scene: Scene, facts: Facts) -> Answer:
    """Several targets restart at once, or the firmware says that the supply dipped."""
    gone, apart = _gone_together(facts)
    begin, end = facts.dead
    dips = facts.run.prints(begin - 1000 * MS, end + 1, words.BROWN_OUT)
    said = dips.height > 0 if facts.run.has_prints else None
    several = len(gone) >= 2
    return judged(
        needed(
            facts.stopped and (several or bool(said)),
            f"{len(gone)} devices stopped answering at the same instant"
            if several
            else "the firmware says that the supply dipped",
            "no second device went unacknowledged then, and no print tells of the supply",
            strength=STRONG,
            at=Place("transactions", begin),
        ),
        unless(facts.hold is not None and not said, "a line was held low: nobody could answer"),
        telling(several and apart, "each came back after a time of its own"),
        telling(
            said,
            "the firmware says that the supply dipped",
            "",
            "whether the supply dipped: no log covers it",
            strength=FAIR,
        ),
    )


def _switched(facts: Facts, t_ns: int, *, on: bool) -> bool:
    found = facts.run.prints(t_ns - 100 * MS, t_ns + 50 * MS, words.POWER_SWITCH)
    word = words.SWITCHED_ON if on else words.SWITCHED_OFF
    return words.matching(found, word).height > 0


def clamped_bus(_scene: Scene, facts: Facts) -> Answer:
    """A target without supply pulls the lines low through its pins."""
    hold = facts.hold
    known = facts.run.has_prints
    return judged(
        needed(
            hold is not None and hold.state == "both-held",
            "both lines are held low",
            "the two lines are not both held low",
            at=Place() if hold is None else Place("line_states", hold.start_ns),
        ),
        needed(
            (hold is not None and _switched(facts, hold.start_ns, on=False)) if known else None,
            "it began as a supply was switched off",
            "no supply was switched off as it began",
            "whether a supply was switched: there is no log",
            strength=STRONG,
        ),
        telling(
            _switched(facts, hold.end_ns, on=True) if hold is not None and known else None,
            "it ended as the supply was switched on",
            "it did not end as a supply was switched on",
            strength=FAIR,
        ),
    )


def hot_insertion(_scene: Scene, facts: Facts) -> Answer:
    """A connector opens and closes, or a device is plugged into the running bus."""
    begin, end = facts.dead
    after = facts.traffic.own_run.filter(pl.col("start_ns") >= begin)
    away = ~after["address_acked"].fill_null(value=False)
    back = after.filter(~away)["start_ns"].head(1)
    last = int(after["start_ns"][-1]) + 1 if after.height else end
    until = int(back[0]) if back.len() else last
    unanswered = after.filter(away & (after["start_ns"] < until)).height
    span = until - begin if unanswered >= 2 else 0
    return judged(
        needed(
            _bounced(facts),
            "both lines dropped for moments outside any transfer, with no clock of a controller",
            "the lines did not drop outside transfers",
            strength=STRONG,
            at=Place("line_states", facts.traffic.last_good_end_ns),
        ),
        needed(
            facts.stopped and 100 * MS <= span <= 60_000 * MS,
            "the device was away for as long as a hand takes",
            "the device was not away for a hand's time",
            strength=WEAK,
            at=Place("transactions", begin),
        ),
        hint(back.len() > 0, "and came back by itself"),
        hint(
            _phantom_start(facts),
            "a START without clocks held the bus",
            strength=FAIR,
        ),
        unless(len(_gone_together(facts)[0]) > 1 and end > begin, "several devices went together"),
    )


def _bounced(facts: Facts) -> bool:
    """Whether edges outside transfers, too few or too uneven for a burst, lie at the end."""
    begin, end = facts.traffic.last_good_ns, facts.dead[0] + 500 * MS
    rows = facts.scene.window("line_states", begin, end).filter(
        (pl.col("bus") == facts.scene.episode.bus) & (pl.col("state") == "noise")
    )
    return rows.height > 0 and not any(burst.clocks >= 8 for burst in facts.bursts)


def _phantom_start(facts: Facts) -> bool:
    """Whether SDA was held right after a START, before any clock: it was the controller's turn."""
    begin, end = facts.traffic.last_good_ns, facts.dead[0] + 500 * MS
    rows = facts.scene.window("line_states", begin, end).filter(
        (pl.col("bus") == facts.scene.episode.bus)
        & (pl.col("state") == "sda-held")
        & (pl.col("bit_slot").fill_null(0) == 0)
        & (pl.col("turn") != "target")
    )
    return rows.height > 0


def hand_over_dip(_scene: Scene, facts: Facts) -> Answer:
    """Pins pass through driven low as they change hands inside the controller."""
    dips = facts.dips_ns
    unseen = facts.clocks is None or not facts.shows(600)
    near_acts = None if unseen else _near_hand_over(facts)
    return judged(
        needed(
            None if unseen else len(dips) > 0,
            f"both lines dipped together {len(dips)} times outside transfers",
            "both lines never dip together outside transfers",
            "dips of 0.6 us: the samples are too far apart, or the wire was not kept",
            strength=FAIR,
            at=Place("", int(dips[0])) if len(dips) else Place(),
        ),
        needed(
            near_acts,
            "the dips lie beside a recovery, a switch of channels or a boot",
            "no dip lies beside a recovery, a switch of channels or a boot",
            "whether they lie beside a recovery or a boot: none can be seen, or there is no log",
            strength=FAIR,
        ),
    )


def _near_hand_over(facts: Facts) -> bool | None:
    dips = facts.dips_ns
    if not len(dips):
        return False
    recoveries = words.matching(facts.run.placed_prints, words.RECOVERY)["t_ns"].to_numpy()
    moments = np.sort(
        np.concatenate(
            [
                recoveries,
                facts.run.restarts["t_ns"].to_numpy(),
                np.array([b.from_ns for b in facts.bursts if b.clocks > 1], np.int64),
                facts.traffic.bus.filter(pl.col("address").is_between(0x70, 0x77))[
                    "end_ns"
                ].to_numpy(),
            ]
        )
    )
    if not len(moments):
        return False if facts.run.has_prints else None
    return bool(np.mean(near(dips, moments, 20 * MS, 20 * MS)) >= 0.5)


CAUSES = (
    Cause(
        "supply-dip",
        "The supply dips, and targets miss clocks or restart",
        "wire",
        _ANY,
        2.0,
        ("capture",),
        supply_dip,
        ("actuators-off", "extra-supply"),
        "the supply, or a supply-good line",
        "seen in public issue reports",
    ),
    Cause(
        "clamped-bus",
        "A target without supply pulls both lines low",
        "wire",
        (CLOCK_HELD, DATA_HELD),
        1.0,
        ("capture", "prints"),
        clamped_bus,
        ("power-target", "restart-controller"),
        "the target's supply",
        "UM10204 section 3.1.1 (lines of a device without supply must float)",
    ),
    Cause(
        "hot-insertion",
        "A plug opens and closes, or is put in while the bus runs",
        "wire",
        (UNANSWERED, SILENT_COMPLAINED, SILENT, DATA_HELD),
        1.0,
        ("capture",),
        hot_insertion,
        ("provoke",),
        "the target's supply behind the plug",
        "application note on stuck buses, its section on hot insertion",
    ),
    Cause(
        "hand-over-dip",
        "Pins dip low while they change hands in the controller",
        "controller",
        _ANY,
        1.0,
        ("capture",),
        hand_over_dip,
        ("one-caller", "no-recovery"),
        "",
        "seen in public issue reports",
    ),
)
