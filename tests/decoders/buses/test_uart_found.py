"""UART: a baud that is not given."""

from __future__ import annotations

import random

import pytest

from decoders.buses.uart import UartDecoder
from tests.decoders.buses.serial_wave import (
    BAUD,
    SerialWave,
    blocks_of,
    bytes_of,
    decoded,
    idle_wave,
    values,
)


@pytest.mark.parametrize("size", [1, 7, 499, 500, 501, 100_000])
def test_a_baud_not_given_is_found_however_the_edges_are_cut(size: int) -> None:
    data = b"[00042] INFO level=93 temp=21.5 ok\r\n" * 8
    edges = SerialWave(57_600).wait(20).text(data).wait(20).edges()
    decoder = UartDecoder(0, wait_ns=None)
    rows = decoded(decoder, blocks_of(edges, range(0, len(edges.t_ns), size)))
    assert (decoder.baud, decoder.unread_edges) == (57_600, 0)
    assert rows == bytes_of(edges, 57_600)


def test_a_baud_not_given_is_found_at_the_end_of_a_short_capture() -> None:
    decoder = UartDecoder(0)
    rows = decoded(decoder, [idle_wave(9_600).text(b"a few words\r\n").wait(20).edges()])
    assert bytes(values(rows)) == b"a few words\r\n"
    assert decoder.baud == 9_600


@pytest.mark.parametrize("size", [997, 1 << 20])
def test_a_line_without_baud_is_given_up_and_looked_at_again(size: int) -> None:
    randomly = random.Random(6)
    wave = SerialWave(BAUD)
    for _ in range(16_100):  # pulses of any length
        wave.wait(randomly.expovariate(0.3)).low(randomly.expovariate(0.3))
    at_ns = round(wave.wait(30).now)
    wave.text(b"then it talks, and goes on for a while\r\n" * 40).wait(20)
    decoder = UartDecoder(0, wait_ns=None)
    edges = wave.edges()
    rows = decoded(decoder, blocks_of(edges, range(0, len(edges.t_ns), size)))
    assert (decoder.baud, decoder.unread_edges) == (BAUD, 32_000)
    text = bytes(row.value for row in rows if row.start_ns >= at_ns)
    assert text.endswith(b"then it talks, and goes on for a while\r\n" * 40)


def test_a_line_without_baud_gives_nothing() -> None:
    decoder = UartDecoder(0)
    edges = idle_wave().text(b"U" * 50).wait(20).edges()
    assert decoded(decoder, [edges]) == []
    assert (decoder.baud, decoder.unread_edges) == (None, len(edges.t_ns) - 1)
    assert decoder.baud_error() is None
