"""Bytes and words as tables."""

from __future__ import annotations

from console.timeline.tables.serial_tables import words_frame
from decoders.buses.spi_words import NOBODY, concatenated, problem_bit, spi_words


def test_words_are_hex_of_as_many_bytes_as_hold_their_bits() -> None:
    rows = concatenated(
        [
            spi_words([10, 20], [15, 25], 0, ([0x7, 0xABC], [0, 0xFFF]), [4, 12], 0),
            spi_words([30], [35], 1, ([0xDEADBEEF], [1]), [32], problem_bit("cut")),
            spi_words([40], [45], NOBODY, (0, 0), [900], problem_bit("unselected")),
        ]
    )
    frame = words_frame(rows, "wire", "spi", ["driver", "memory"], has_mosi=True, has_miso=True)
    assert frame["mosi"].to_list() == ["07", "0abc", "deadbeef", None]
    assert frame["miso"].to_list() == ["00", "0fff", "00000001", None]
    assert frame["device"].to_list() == ["driver", "driver", "memory", None]
    assert frame["bits"].to_list() == [4, 12, 32, 900]
    assert frame["problems"].to_list() == [[], [], ["cut"], ["unselected"]]


def test_a_line_that_was_not_observed_has_no_data() -> None:
    rows = spi_words([10], [15], 0, ([0x7], [0]), [8], 0)
    frame = words_frame(rows, "wire", "spi", [], has_mosi=True, has_miso=False)
    assert frame.select("device", "mosi", "miso").row(0) == (None, "07", None)


def test_no_words_are_an_empty_table() -> None:
    rows = spi_words((), (), 0, ((), ()), (), ())
    assert words_frame(rows, "w", "spi", [], has_mosi=True, has_miso=True).height == 0
