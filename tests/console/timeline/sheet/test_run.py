"""What the parts of a sheet look up: devices, addresses, clocks and moments."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from console.pipeline.tables import empty_tables
from console.timeline.parties import Parties
from console.timeline.sheet.run import Run, ago
from tests.console.timeline.sheet.benches import bench_of
from tests.decoders.packets.tables import ADDRESS, REGISTERS

RUN = Run(empty_tables(), bench_of(REGISTERS), Parties((), {}, {}, {}, {}), 0)


@pytest.mark.parametrize(
    ("device", "address"),
    [("camera", ADDRESS), ("0x2F", 0x2F), ("0x1A3 on i2c-1", 0x1A3), ("nobody", None)],
)
def test_a_device_is_known_by_its_name_or_its_address(device: str, address: int | None) -> None:
    assert RUN.address(device) == address


def test_a_device_the_bench_does_not_name_speaks_the_loose_description() -> None:
    assert RUN.kind("0x2F", "level") is None
    loose = bench_of(REGISTERS).packets["camera"]
    assert replace(RUN, loose=loose).kind("0x2F", "level") is loose.kind("level")


def test_moments_count_from_the_start_of_the_run_to_what_their_band_allows() -> None:
    run = replace(RUN, start_ns=10**9)
    assert run.time(2_500_000_000) == "00:01.500000"
    assert run.time(2_500_000_000, 2_000_000) == "00:01.500"


def clocks(*rows: tuple[str, int, int, str, bool]) -> pl.DataFrame:
    names = ("source", "from_ns", "until_ns", "method", "ambiguous")
    frame = pl.DataFrame([dict(zip(names, row, strict=True)) for row in rows])
    return frame.with_columns(clock=pl.lit("firmware"))


def test_the_piece_of_the_clock_that_timed_an_event_is_told() -> None:
    rows = clocks(("log", 0, 9, "equal-values", False), ("log", 10, 19, "none", False))
    run = replace(RUN, tables={"clocks": rows})
    assert run.clock("log", 5) == "log, firmware clock: tied by equal values"
    assert run.clock("log", 15).startswith("log, firmware clock: not aligned")


def test_a_clock_that_could_lie_elsewhere_is_called_ambiguous() -> None:
    run = replace(RUN, tables={"clocks": clocks(("log", 0, 9, "declared", True))})
    assert run.clock("log", 5) == "log, firmware clock: offset declared, ambiguous"
    assert run.clock("wire", 5) == "wire"


def test_how_long_before_is_never_negative() -> None:
    assert ago(1_000, 3_000) == "0 ns before"
