"""Series of numbers for tests, without tables."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from console.timeline.numbers.number_series import NumberSeries, NumericField


def field_of(
    name: str = "speed", *, subject: str = "", path: str = "", unit: str = ""
) -> NumericField:
    return NumericField(
        table="messages",
        party="winder",
        subject=subject,
        path=path or f"fields.{name}",
        name=name,
        unit=unit,
        rows=2,
        varies=True,
        selects=(("source", "winder"),),
    )


def series_of(
    t_ns: npt.ArrayLike, values: npt.ArrayLike, field: NumericField | None = None, band_ns: int = 0
) -> NumberSeries:
    t = np.asarray(t_ns, np.int64)
    return NumberSeries(
        field or field_of(),
        t,
        np.asarray(values, np.float64),
        np.full(len(t), band_ns, np.int64),
        np.arange(len(t)),
    )
