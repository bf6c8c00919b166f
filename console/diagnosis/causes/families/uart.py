"""A serial receiver that an overrun stopped."""

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
    judged,
    needed,
    telling,
)
from console.diagnosis.causes.faces import HEALTHY_BUS, SILENT_COMPLAINED
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.scene import Scene


def deaf_uart(scene: Scene, facts: Facts) -> Answer:
    """An overrun stops the receiver; sending goes on."""
    party, begins = facts.run.complained_of
    lines = _uart_lines(facts)
    deaf = _deaf(facts, lines)
    said = words.matching(scene.table("prints"), words.OVERRUN)
    return judged(
        needed(
            bool(party) if scene.of_kind("capture") else None,
            "a party that is on no captured bus answers no more, as the firmware says to the end",
            "the firmware complains of no party beside those on the bus",
            "whether it is on a bus: none was captured",
            strength=FAIR,
            at=Place("prints", begins),
        ),
        needed(
            _others_answer(scene, begins),
            "all else goes on well",
            "others fail as well",
            strength=WEAK,
        ),
        telling(
            None if len(lines) < 2 else deaf is not None,
            "requests and replies go on on the UART all the while",
            "the UART is silent",
            "whether replies still come: the UART's lines were not decoded",
            strength=STRONG,
        ),
        telling(
            said.height > 0 or None,
            "the firmware says that its receiver was overrun",
            "",
            "whether the receiver was overrun: the firmware does not say",
            strength=FAIR,
        ),
        telling(_burst_before(facts, deaf), "it begins in a burst at the full rate of the line"),
    )


def _others_answer(scene: Scene, begins: int | None) -> bool:
    """Whether transactions after a moment are answered as before."""
    if begins is None:
        return False
    rows = scene.table("transactions").filter(pl.col("start_ns") >= begins)
    good = rows["address_acked"].fill_null(value=False).sum()
    return rows.height > 0 and good > 0.9 * rows.height


def _uart_lines(facts: Facts) -> list[pl.DataFrame]:
    rows = facts.scene.table("bytes")
    parts = rows.partition_by("source", "line", maintain_order=True)
    return [part for part in parts if part.height >= 20]


def _deaf(facts: Facts, lines: list[pl.DataFrame]) -> int | None:
    """From when complaints of timeouts do not end while bytes flow both ways on a pair of lines."""
    complaints = words.matching(facts.run.placed_prints, words.COMPLAINT)["t_ns"].to_numpy()
    if len(complaints) < 5 or len(lines) < 2:
        return None
    begin, end = int(complaints[0]), int(complaints[-1])
    busy = [
        part.filter(pl.col("start_ns").is_between(begin, end)).height
        >= 0.3 * part.height * (end - begin) / max(facts.scene.end_ns - facts.scene.start_ns, 1)
        for part in lines
    ]
    before = complaints[complaints < begin + (end - begin) // 50]
    lasting = end > facts.scene.end_ns - (facts.scene.end_ns - begin) // 5
    return begin if sum(busy) >= 2 and lasting and len(before) < len(complaints) else None


def _burst_before(facts: Facts, deaf: int | None) -> bool | None:
    """Whether bytes follow each other without a pause just before."""
    if deaf is None:
        return None
    rows = facts.scene.window("bytes", deaf - 2000 * MS, deaf)
    for part in rows.partition_by("source", "line"):
        start, end = part["start_ns"].to_numpy(), part["end_ns"].to_numpy()
        if len(start) < 16:
            continue
        width = float(np.median(end - start))
        tight = (start[1:] - end[:-1]) < 0.5 * width
        run = np.convolve(tight, np.ones(14), "valid")
        if len(run) and run.max() >= 14:
            return True
    return False


CAUSES = (
    Cause(
        "deaf-uart",
        "The UART's receiver stopped after an overrun",
        "firmware",
        (HEALTHY_BUS, SILENT_COMPLAINED),
        1.0,
        ("capture", "prints"),
        deaf_uart,
        ("restart-uart",),
        "the UART's two lines",
        "seen in public issue reports",
        of_run=True,
    ),
)
