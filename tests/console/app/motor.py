"""A motor that reports its set point and speed every 20 ms, as messages."""

from __future__ import annotations

import json

import numpy as np
import polars as pl

from tests.console.timeline.number_tables import table

EVERY_NS = 20_000_000
ROWS = 1_200
STEPS = ((100, 1_500), (500, 900), (900, 2_200))  # row and new set point, rpm


def motor_tables(topic: str = "winder/state") -> dict[str, pl.DataFrame]:
    """Set points STEPS; a PI loop at 1 kHz around a motor of 80 ms."""
    noise = np.random.default_rng(3).normal(0, 2, ROWS)
    speed, integral, rows = 0.0, 0.0, []
    for k in range(ROWS):
        target = next((value for row, value in reversed(STEPS) if k >= row), 0)
        for _ in range(20):
            integral += (target - speed) * 0.001
            duty = 1.7 * (target - speed) / 2 + 19.0 * integral / 2
            speed += 0.001 * (2 * duty - speed) / 0.080
        fields = {"target_rpm": target, "speed_rpm": round(speed + noise[k], 1), "heap": 41_000 - k}
        rows.append(
            {
                "t_ns": k * EVERY_NS,
                "source": "bus",
                "topic": topic,
                "fields": json.dumps(fields, separators=(",", ":")),
                "band_ns": 2_000_000,
            }
        )
    return {"messages": table("messages", rows)}
