"""A serial log whose lines the capture saw being sent has the wire's time, to the bit."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from tests.decoders.buses.serial_wave import SerialWave
from tests.decoders.buses.wave import Wave

MS = 1_000_000
SECOND = 1_000_000_000
BAUD = 115_200
BIT_NS = 8_681
POLLS = 40
UPTIME_NS = 2_700 * SECOND
BOARD_PPM = 120.0


def texts(poll: int) -> list[str]:
    """What the board prints after a poll, without stamps; the second line comes again and again."""
    return [f"camera: poll {poll} blocks {poll % 3}", "line: idle"]


def bench(folder: Path, lost: tuple[int, ...] = ()) -> list[int]:
    """Write a capture with a bus and a UART, and the log of that UART; when each line was sent."""
    wave, uart = Wave(), SerialWave(BAUD)
    log, starts = [], []
    for poll in range(POLLS):
        wave.now_ns = (poll + 1) * 250 * MS
        wave.start()
        wave.byte(0x2E << 1)
        wave.byte(poll)
        wave.stop()
        stamped = wave.now_ns + 60_000  # when the firmware prints; sending begins a little later
        for text in texts(poll):
            uart.now = max(uart.now, Fraction(stamped + 45_000))
            tick_us = round((UPTIME_NS + stamped * (1 + BOARD_PPM * 1e-6)) / 1_000)
            line = f"[{tick_us}] {text}\r\n"
            starts.append(round(uart.now))
            for value in line.encode():
                uart.byte(value)
            log.append(line)
    kept = [k for k in range(len(log)) if k not in lost]
    (folder / "log.txt").write_bytes("".join(log[k] for k in kept).encode())
    _write_csv(folder / "wire.csv", wave, uart)
    return [starts[k] for k in kept]


def _write_csv(path: Path, wave: Wave, uart: SerialWave) -> None:
    edges = wave.edges()
    t_bus, bus = edges.t_ns, edges.levels & 3
    t_uart = np.array([t for t, _ in uart.rows])
    tx = np.array([level for _, level in uart.rows])
    times = np.union1d(t_bus, t_uart)
    bus_at = bus[np.maximum(np.searchsorted(t_bus, times, side="right") - 1, 0)]
    tx_at = tx[np.maximum(np.searchsorted(t_uart, times, side="right") - 1, 0)]
    frame = pl.DataFrame({"time_ns": times, "scl": bus_at & 1, "sda": bus_at >> 1, "tx": tx_at})
    frame.write_csv(path)


def read(folder: Path) -> Evidence:
    """The evidence of the two files."""
    paths = [str(folder / "wire.csv"), str(folder / "log.txt")]
    return gathered(settled(paths, Overrides()))


@pytest.mark.parametrize("lost", [(), (3, 4, 17)])
def test_lines_on_the_wire_have_its_time_to_the_bit(lost: tuple[int, ...], tmp_path: Path) -> None:
    starts = bench(tmp_path, lost)
    prints = read(tmp_path).tables["prints"]
    error = np.abs(prints["t_ns"].to_numpy() - np.array(starts))
    assert error.max() <= BIT_NS
    assert prints["band_ns"].to_list() == [BIT_NS] * (2 * POLLS - len(lost))


def test_the_clock_of_the_log_is_tied_by_its_lines(tmp_path: Path) -> None:
    bench(tmp_path)
    evidence = read(tmp_path)
    piece = evidence.clocks["log"].pieces[0]
    rate = (1 + piece.drift_ppm * 1e-6) * (1 + BOARD_PPM * 1e-6)
    assert piece.anchors >= 2 * POLLS * 0.9
    assert abs(rate - 1) <= piece.band_ppm * 1e-6  # ten seconds do not tell much of a drift
    assert piece.band_ns is not None
    assert piece.band_ns < 5 * MS  # the second line waits 3 ms for the first to be sent
    assert any("tx" in remark for remark in evidence.sources[0].assumed)


def test_the_bytes_of_the_line_are_a_table(tmp_path: Path) -> None:
    bench(tmp_path)
    rows = read(tmp_path).tables["bytes"]
    assert bytes(rows["value"].to_list()) == (tmp_path / "log.txt").read_bytes()
    assert rows["line"].unique().to_list() == ["tx"]
    assert rows["framing_ok"].all()


def test_a_log_of_something_else_is_not_taken_for_it(tmp_path: Path) -> None:
    bench(tmp_path)
    other = "".join(f"[{1000 * k}] motor: speed {700 + k * k % 90}\n" for k in range(60))
    (tmp_path / "log.txt").write_text(other)
    assert [p.method for p in read(tmp_path).clocks["log"].pieces] == ["none"]


def test_the_text_of_a_uart_without_a_log_is_prints_on_the_captures_clock(tmp_path: Path) -> None:
    starts = bench(tmp_path)
    evidence = gathered(settled([str(tmp_path / "wire.csv")], Overrides()))
    prints = evidence.tables["prints"]
    assert prints["source"].unique().to_list() == ["wire tx"]
    assert prints["t_ns"].to_list() == starts
    assert prints["text"][:2].to_list() == texts(0)


def test_the_text_of_a_uart_that_a_log_has_stands_there_once(tmp_path: Path) -> None:
    bench(tmp_path)
    assert read(tmp_path).tables["prints"]["source"].unique().to_list() == ["log"]


def test_text_whose_log_is_read_by_a_pattern_stands_there_once_too(tmp_path: Path) -> None:
    bench(tmp_path)
    (tmp_path / "bench.toml").write_text(
        '[[source]]\nname = "wire"\nkind = "capture"\npath = "wire.csv"\n'
        '[[source]]\nname = "log"\nkind = "prints"\npath = "log.txt"\n'
        "line = '^\\[ *(?P<us>\\d+)\\] (?P<part>\\w+): (?P<text>.*)$'\n"
    )
    evidence = gathered(settled([str(tmp_path / "bench.toml")], Overrides()))
    assert evidence.tables["prints"]["source"].unique().to_list() == ["log"]


def test_a_log_says_how_many_of_its_lines_were_seen_on_the_wire(tmp_path: Path) -> None:
    bench(tmp_path, lost=(3,))
    log = next(source for source in read(tmp_path).sources if source.name == "log")
    seen = "all 79 lines were seen on tx of wire: their times are known to 8.68 us"
    assert seen in log.assumed
