"""An interrupt that nobody clears."""

from __future__ import annotations

import polars as pl

from console.diagnosis.boots import BOOT
from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.cause import FAIR, Answer, Cause, Place, judged, needed, telling
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.scene import Scene
from console.watch.findings import counted


def interrupt_storm(_scene: Scene, facts: Facts) -> Answer:
    """An error flag that nobody clears keeps the handler busy until the watchdog bites."""
    restarts = facts.run.restarts
    begin, end = facts.dead
    bitten = words.matching(facts.run.placed_prints, words.WATCHDOG)
    after = bitten.filter(pl.col("t_ns").is_between(begin - 1000 * MS, end + 60_000 * MS))
    before = bitten.filter(pl.col("t_ns") < begin - 1000 * MS)
    return judged(
        needed(
            after.height > 0 if facts.run.has_prints else None,
            "the watchdog restarted the firmware",
            "the watchdog did not restart the firmware",
            "whether the watchdog bit: there is no log",
            strength=FAIR,
            at=Place("prints", int(after["t_ns"][0])) if after.height else Place(),
        ),
        (needed if facts.traffic.bus.height else telling)(
            _fault_first(facts, after) if facts.traffic.bus.height else None,
            "a fault of the bus came before, and then nothing was printed",
            "no fault of the bus came before it",
            "whether a fault of the bus came before: it was not captured",
            strength=FAIR,
        ),
        telling(
            restarts.height >= 2 or before.height > 0,
            f"{counted(restarts.height, 'restart')}: its uptime is a saw-tooth",
            "it restarted once",
            strength=FAIR,
        ),
    )


def _fault_first(facts: Facts, bitten: pl.DataFrame) -> bool:
    """Whether a NACK, a cut or a hold lies before most bites, with a silence of the log between."""
    bites = bitten.select("t_ns", pl.col("band_ns").fill_null(0)).iter_rows()
    led = [_is_led(facts, at, band) for at, band in bites]
    return sum(led) > len(led) / 2


def _is_led(facts: Facts, at_ns: int, band_ns: int) -> bool:
    """Of one bite, whose time is known within a band."""
    near = facts.traffic.bus.filter(
        pl.col("start_ns").is_between(at_ns - 20_000 * MS, at_ns + band_ns)
        & (pl.col("problems").list.len() > 0)
    )
    if not near.height:
        return False
    fault = int(near["start_ns"][-1])
    between = facts.scene.window("prints", fault + MS, at_ns - MS).filter(
        ~pl.col("text").str.contains(BOOT)
    )
    return between.height <= 2


CAUSES = (
    Cause(
        "interrupt-storm",
        "An error flag keeps the handler busy until the watchdog restarts the board",
        "firmware",
        (SILENT, SILENT_COMPLAINED, DATA_HELD, CLOCK_HELD, UNANSWERED, HEALTHY_BUS),
        1.0,
        ("prints",),
        interrupt_storm,
        ("restart-controller", "provoke"),
        "the controller's reset line",
        "seen in public issue reports",
    ),
)
