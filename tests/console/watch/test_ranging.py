"""Pings without an echo, and what the firmware made of the others."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.lines import Published
from console.bench.lines import Ranging as Sensor
from console.bench.tables import TABLES
from console.pipeline.wire_lines import RangingLine
from console.watch.findings import Finding
from console.watch.published_error import PublishedErrors
from console.watch.ranging import Ranging
from console.watch.rule import Batch
from tests.decoders.buses.pulse_lines import MS, edges_of, ranging

END_NS = 100_000 * MS
FIELD = Published(table="messages", where="topic = 'cap/level'", field="fields.level_cm")
US_PER_CM = 58.273  # there and back at 20 degrees, by the published formula


def tables(
    distances_cm: Sequence[float],
    published: Sequence[float],
    *,
    as_print: bool = False,
    sensor: Sensor | None = None,
) -> dict[str, pl.DataFrame]:
    """Pings every 60 ms (0: lost), each published 20 ms after its trigger."""
    lines = ranging([US_PER_CM * cm for cm in distances_cm])
    line = RangingLine(sensor or told(), 0, 1)
    line.feed(edges_of(lines, END_NS))
    found = dict(line.tables("wire", END_NS))
    times = [t + 20 * MS for (t, _), value in zip(lines[0], published, strict=False) if value]
    values = [float(value) for value in published if value]
    rows = [
        {"t_ns": t, "source": "board", "text": f"level {v:.2f} cm", "topic": "cap/level",
         "fields": f'{{"level_cm": {v!r}}}', "band_ns": 0}
        for t, v in zip(times, values, strict=True)
    ]  # fmt: skip
    name = "prints" if as_print else "messages"
    schema = dict(TABLES[name])
    found[name] = pl.DataFrame([{k: row.get(k) for k in schema} for row in rows], schema)
    return found


def told(**keys: Any) -> Sensor:
    keys = {"published": FIELD, **keys}
    return Sensor(name="hopper", source="wire", trigger="ch7", echo="ch8", **keys)


def found(
    all_tables: dict[str, pl.DataFrame], sensor: Sensor | None = None, cuts: Sequence[int] = ()
) -> list[Finding]:
    rule = Ranging(sensor or told(), "hopper")
    rule.begin(0)
    for low, high in pairwise([-1, *sorted(cuts), END_NS]):
        part = {
            name: frame.filter(pl.col(frame.columns[0]) > low, pl.col(frame.columns[0]) <= high)
            for name, frame in all_tables.items()
        }
        assert rule.feed(Batch(part, high)) == []
    return rule.finish(END_NS)


FAR = [20 + 2.5 * (k % 30) for k in range(60)]


def test_pings_without_an_echo_are_counted() -> None:
    distances = [50.0] * 40
    distances[3] = distances[9] = 0
    distances[20] = 38_000 / US_PER_CM
    (finding,) = found(tables(distances, []))
    assert finding.summary == (
        "hopper: 3 pings of 40 without a distance: 2 lost, 1 timed out; first at 00:00.185010"
    )
    assert (finding.rule, finding.severity) == ("echo-lost", "warning")


def test_what_the_echo_says_too_is_a_note() -> None:
    (finding,) = found(tables(FAR, [cm + 0.2 for cm in FAR]))
    assert (finding.severity, finding.evidence["kind"]) == ("note", "agrees")


def test_a_constant_error_is_told_as_one() -> None:
    noise = np.random.default_rng(2).normal(0, 0.3, 60)
    (finding,) = found(tables(FAR, [cm + 3.4 + e for cm, e in zip(FAR, noise, strict=True)]))
    assert finding.evidence["kind"] == "constant"
    assert finding.evidence["bias_cm"] == pytest.approx(3.4, abs=0.15)
    assert finding.evidence["spread_cm"] == pytest.approx(0.3, abs=0.12)
    assert "always 3.5 cm more than the echo says" in finding.summary
    assert "a constant error" in finding.summary


def test_an_error_that_grows_with_the_distance_is_told_as_that() -> None:
    # A fixed 343 m/s at 0 degrees is 3.5 % too far (343 / 331.3).
    sensor = told(temperature_c=0)
    cold = [cm * 331.3 / 343.21 for cm in FAR]
    all_tables = tables(FAR, [cm * 343 / 331.3 for cm in cold], sensor=sensor)
    (finding,) = found(all_tables, sensor)
    assert finding.evidence["kind"] == "grows"
    assert finding.evidence["slope"] == pytest.approx(0.0353, abs=5e-4)


def test_an_error_without_a_rule_is_told_as_scatter() -> None:
    noise = np.random.default_rng(2).normal(0, 6, 60)
    (finding,) = found(tables([60.0] * 60, [60 + e for e in noise]))
    assert finding.evidence["kind"] == "scatter"


def test_a_number_in_a_print_is_published_too() -> None:
    pattern = Published(table="prints", pattern=r"level ([\d.]+) cm")
    (finding,) = found(tables(FAR, [cm - 5 for cm in FAR], as_print=True), told(published=pattern))
    assert finding.evidence["kind"] == "constant"
    assert finding.evidence["bias_cm"] == pytest.approx(-5, abs=0.06)


def test_other_units_are_taken_as_told() -> None:
    metres = Published(table="messages", field="fields.level_cm", unit="m")
    (finding,) = found(tables(FAR, [cm / 100 for cm in FAR]), told(published=metres))
    assert finding.evidence["kind"] == "agrees"


def test_an_echo_that_is_too_old_is_not_compared() -> None:
    late = Published(table="messages", field="fields.level_cm", within="5ms")
    assert found(tables(FAR, FAR), told(published=late)) == []


def test_nothing_is_compared_where_times_mean_nothing() -> None:
    rule = Ranging(told(), "hopper")
    rule.begin(0)
    rule.feed(Batch(tables(FAR, FAR), END_NS, off_axis=["board"]))
    assert rule.finish(END_NS) == []


@settings(max_examples=50, deadline=None)
@given(cuts=st.lists(st.integers(0, 4_000).map(lambda ms: ms * MS), max_size=12, unique=True))
def test_findings_do_not_depend_on_how_the_run_is_cut(cuts: list[int]) -> None:
    all_tables = tables([0.0, *FAR], [0.0, *(cm * 1.02 + 2 for cm in FAR)])
    assert found(all_tables, None, cuts) == found(all_tables)


def test_no_pair_is_no_error() -> None:
    errors = PublishedErrors()
    errors.add(np.array([np.nan, 5e3]), np.array([1.0, 1.0]))
    assert errors.found() is None
