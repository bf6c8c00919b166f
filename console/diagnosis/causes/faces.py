"""The seven faces of a lockup: firmware says "timeout" for all, the wire tells them apart."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Face:
    """What the wire shows of a peripheral in its dead stretch."""

    slug: str
    words: str


DATA_HELD = Face("data-held", "SDA held low with SCL high, no clocks")
CLOCK_HELD = Face("clock-held", "SCL held low")
SILENT_COMPLAINED = Face("silent-complained", "both lines high, no edges, the firmware complains")
SILENT = Face("silent", "both lines high, no edges, no complaint")
UNANSWERED = Face("unanswered", "asked for, not acknowledged, clocks intact")
WRONG_CONTENT = Face("wrong-content", "acknowledged, with wrong content")
HEALTHY_BUS = Face("healthy-bus", "every transaction good; what is lost is lost elsewhere")
FACES = (
    DATA_HELD,
    CLOCK_HELD,
    SILENT_COMPLAINED,
    SILENT,
    UNANSWERED,
    WRONG_CONTENT,
    HEALTHY_BUS,
)
