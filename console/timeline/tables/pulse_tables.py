"""Pulses and pings as tables, still on their capture's clock: `pulses` and `exchanges`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.tables.bus_tables import blanked, constant, words
from decoders.buses.pulses import NO_PERIOD, Pulses
from decoders.buses.pulses_echo import Pings

REQUEST, REPLY = "trigger", "echo"
# As `decoders.buses.pulses_echo.OUTCOMES`, in the words of exchanges.
_OUTCOMES = ("answered", "invalid", "none", "not-observable")


def pulses_frame(
    rows: Pulses,
    source: str,
    line: str,
    *,
    high: bool,
    angle_deg: npt.NDArray[np.float64] | None = None,
    distance_cm: npt.NDArray[np.float64] | None = None,
) -> pl.DataFrame:
    """The `pulses` table of one line.

    Args:
        rows: its pulses.
        source: name of the capture.
        line: what the line is called.
        high: whether these are its high pulses.
        angle_deg: float64[n] what each commands a servo; None of other lines.
        distance_cm: float64[n] what each says as an echo, nan for nothing; None of other lines.
    """
    n = len(rows)
    return pl.DataFrame(
        {
            "start_ns": rows.start_ns,
            "end_ns": rows.end_ns,
            "source": constant(source, n),
            "line": constant(line, n),
            "high": pl.Series([high], dtype=pl.Boolean).new_from_index(0, n),
            "width_ns": rows.width_ns,
            "period_ns": blanked(
                pl.Series(rows.period_ns, dtype=pl.Int64), rows.period_ns == NO_PERIOD
            ),
            "angle_deg": _numbers(angle_deg, n),
            "distance_cm": _numbers(distance_cm, n),
        }
    )


def pings_frame(pings: Pings, echo: Pulses, device: str) -> pl.DataFrame:
    """The `exchanges` table of one ranging sensor: its triggers, and the ends of their echoes.

    Args:
        pings: what became of each trigger.
        echo: the pulses of the echo line.
        device: name of the sensor.
    """
    n = len(pings)
    lost = pings.echo < 0
    reply_ns = np.append(echo.end_ns, 0).take(pings.echo)
    return pl.DataFrame(
        {
            "request_ns": pings.trigger_ns,
            "reply_ns": blanked(pl.Series(reply_ns, dtype=pl.Int64), lost),
            "device": constant(device, n),
            "request": constant(REQUEST, n),
            "reply": blanked(constant(REPLY, n), lost),
            "outcome": words(pings.outcome, _OUTCOMES),
            "latency_ns": blanked(pl.Series(reply_ns - pings.trigger_ns, dtype=pl.Int64), lost),
        }
    )


def _numbers(values: npt.NDArray[np.float64] | None, n: int) -> pl.Series:
    if values is None:
        return pl.Series([None], dtype=pl.Float64).new_from_index(0, n)
    return pl.Series(values, dtype=pl.Float64).fill_nan(None)
