"""What a bench file may say of ports and watched folders, and what is refused with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.load import load_bench, read_bench
from console.bench.model import CaptureSource, PrintsSource
from decoders.errors import DescriptionError

GOOD = """
[[source]]
name = "wire"
kind = "capture"
folder = "exports"
pattern = "*.csv"
still = "1.5s"
retry = ["2s", "20s"]

[[source]]
name = "board"
kind = "prints"
port = "/dev/ttyUSB0"
baud = 115_200
data_bits = 7
parity = "even"
stop_bits = 2
dtr = true
retry = ["200ms", "10s"]
required = true
"""


def sources_in(text: str) -> tuple[CaptureSource, PrintsSource]:
    wire, board = load_bench(text, "bench.toml").sources
    assert isinstance(wire, CaptureSource)
    assert isinstance(board, PrintsSource)
    return wire, board


def error_in(changed: str, into: str) -> DescriptionError:
    """The one thing wrong when `changed` in the good file is turned into something else."""
    assert GOOD.count(changed) == 1
    with pytest.raises(DescriptionError) as caught:
        load_bench(GOOD.replace(changed, into), "bench.toml")
    return caught.value


def line_of(text: str) -> int:
    return GOOD[: GOOD.index(text)].count("\n") + 1


def test_a_port_is_told_in_full() -> None:
    _, board = sources_in(GOOD)
    assert (board.port, board.baud, board.frame_bits) == ("/dev/ttyUSB0", 115_200, 11)
    assert (board.dtr, board.rts, board.required) == (True, False, True)
    assert board.retry_ns == (200_000_000, 10_000_000_000)


def test_a_folder_is_told_in_full() -> None:
    wire, _ = sources_in(GOOD)
    assert (wire.folder, wire.pattern, wire.still_ns) == ("exports", "*.csv", 1_500_000_000)
    assert wire.retry_ns == (2_000_000_000, 20_000_000_000)


def test_a_port_that_says_little_leaves_the_lines_alone_and_is_tried_again() -> None:
    board = PrintsSource(name="board", port="loop://")
    assert (board.dtr, board.rts, board.required, board.frame_bits) == (False, False, False, 10)
    assert board.retry_ns == (500_000_000, 30_000_000_000)


def test_a_folder_is_relative_to_the_bench_file(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(GOOD, "utf-8")
    wire = read_bench(tmp_path / "bench.toml").bench.sources[0]
    assert isinstance(wire, CaptureSource)
    assert wire.folder == str(tmp_path / "exports")


@pytest.mark.parametrize(
    ("changed", "into", "message", "mend"),
    [
        ('"/dev/ttyUSB0"', '"spy:///dev/ttyUSB0?file=x"', "port of source 'board': spy://", "Kno"),
        ('"/dev/ttyUSB0"', '"ttyUSB0"', "is no whole path of a device", '"/dev/ttyUSB0"'),
        ("baud = 115_200", "baud = 0", "must be", ""),
        ("baud = 115_200", 'baud = "115200"', "must be a whole number", "without quotes"),
        (
            "data_bits = 7",
            "data_bits = 9",
            "data_bits is none of the known",
            "Known words: 5, 6, 7, 8",
        ),
        ('parity = "even"', 'parity = "E"', "none of the known words", "none, even, odd"),
        ('retry = ["200ms", "10s"]', 'retry = ["1ms", "1s"]', "at least", ""),
        ('retry = ["200ms", "10s"]', 'retry = ["2s", "1s"]', "shorter than the first", ""),
        ('still = "1.5s"', "still = 1", "must be text", "quotes"),
        ('still = "1.5s"', 'still = "1"', "must be a number with a unit", ""),
        ('pattern = "*.csv"', 'pattern = "sub/*.csv"', "of names in the folder", ""),
        ('folder = "exports"', 'party = "x"', "has no path", "folder = ... to record it"),
        ('port = "/dev/ttyUSB0"', 'party = "x"', "has no path", "port = ... to record it"),
    ],
)
def test_what_is_wrong_is_told_with_a_mend(
    changed: str, into: str, message: str, mend: str
) -> None:
    error = error_in(changed, into)
    assert message in error.message
    assert mend in error.mend


@pytest.mark.parametrize(
    ("changed", "into"),
    [
        ('port = "/dev/ttyUSB0"', 'port = "spy://x"'),
        ("baud = 115_200", "baud = 0"),
        ('retry = ["200ms", "10s"]', 'retry = ["1ms", "1s"]'),
        ('still = "1.5s"', 'still = "1"'),
        ('pattern = "*.csv"', 'pattern = "a/b"'),
    ],
)
def test_the_line_is_that_of_the_key(changed: str, into: str) -> None:
    place = error_in(changed, into).place
    assert place is not None
    assert place.line == line_of(changed)
