"""Waves of an independent model, cocotbext-uart on Icarus Verilog, against what it sent.

How they were made stands in tests/data/uart_independent/README.md.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from decoders.buses.uart import UartDecoder
from decoders.buses.uart_format import UartFormat
from decoders.buses.uart_guess import guessed_baud
from decoders.buses.uart_lines import uart_lines
from decoders.captures.edges import Edges
from decoders.captures.vcd import VcdReader
from tests.decoders.buses.serial_wave import decoded

DATA = Path(__file__).parents[2] / "data" / "uart_independent"
# The name, and the format that can be told from the data: None for five data bits, which are not
# looked for, and for nine with few bytes.
WAVES = {
    "text_115200_8n1": "8N1",
    "text_921600_8n1": "8N1",
    "text_9600_8n2": "8N1",  # the second stop bit looks idle
    "binary_57600_8e1": "8E1",
    "binary_38400_8o1": "8O1",
    "text_19200_7e1": "7E1",
    "text_2400_7n1": "7N1",
    "words_250000_9n1": "9N1",
    "letters_1200_5n1h": None,
    "breaks_115200_8n1": "8N1",
}
LINES = ("tx", "tx_inverted", "port[1]")


def truth_of(name: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The format and the bursts."""
    frame, *bursts = json.loads((DATA / f"{name}.json").read_text("utf-8"))
    return frame, bursts


def blocks_of(name: str, chunk: int = 1 << 20) -> tuple[list[Edges], list[str]]:
    """All edges, and the names of the lines."""
    reader = VcdReader(name, wanted=("tx", "tx_inverted", "port[1]", "other"))
    text = (DATA / f"{name}.vcd").read_bytes()
    blocks = [
        block for at in range(0, len(text), chunk) for block in reader.feed(text[at : at + chunk])
    ]
    blocks += reader.finish()
    assert reader.stopped is None
    return blocks, [channel.removeprefix("bench.") for channel in reader.channels]


def joined(name: str) -> tuple[Edges, list[str]]:
    """All edges as one block, and the names of the lines."""
    blocks, channels = blocks_of(name)
    assert [block.begins for block in blocks if len(block.t_ns)][1:] == []
    (edges,) = (block for block in blocks if len(block.t_ns))
    return Edges(edges.t_ns, edges.levels, True, blocks[-1].until_ns), channels


def rows_of(name: str, line: str, chunk: int) -> list[tuple[int, int, bool]]:
    """Start, value, and whether it is a break."""
    frame, _ = truth_of(name)
    blocks, channels = blocks_of(name, chunk)
    decoder = UartDecoder(
        channels.index(line),
        baud=frame["baud"],
        data_bits=frame["data_bits"],
        parity=frame["parity"],
        stop_bits=frame["stop_bits"],
        inverted=line == "tx_inverted",
    )
    rows = decoded(decoder, blocks)
    assert {row.problems for row in rows} <= {(), ("break",)}
    return [(row.start_ns, row.value, row.problems == ("break",)) for row in rows]


def expected_of(name: str) -> list[tuple[int, int, bool]]:
    """The same of the truth; bytes of a burst follow each other without pause."""
    frame, bursts = truth_of(name)
    bits = 1 + frame["data_bits"] + (frame["parity"] != "none")
    # The model waits whole ns for each bit, and for all stop bits together.
    byte_ns = bits * int(1e9 / frame["baud"]) + int(1e9 / frame["baud"] * frame["stop_bits"])
    return [
        (burst["start_ns"] + k * byte_ns, value, "break" in burst)
        for burst in bursts
        for k, value in enumerate(burst.get("values", [0]))
    ]


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize("name", WAVES)
def test_bytes_and_breaks_are_those_the_model_sent(name: str, line: str) -> None:
    assert rows_of(name, line, 1 << 20) == expected_of(name)


@pytest.mark.parametrize("chunk", [100, 4096])
def test_waves_read_in_pieces_give_the_same(chunk: int) -> None:
    assert rows_of("breaks_115200_8n1", "tx", chunk) == expected_of("breaks_115200_8n1")


@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize(("name", "format_found"), WAVES.items())
def test_baud_and_format_are_found(name: str, line: str, format_found: str | None) -> None:
    frame, _ = truth_of(name)
    edges, channels = joined(name)
    if format_found is None:
        frames = [UartFormat(frame["data_bits"], frame["parity"], frame["stop_bits"])]
        guess = guessed_baud(edges, channels.index(line), frames=frames)
        format_found = str(frames[0])
    else:
        guess = guessed_baud(edges, channels.index(line))
    assert guess is not None
    assert (guess.baud, str(guess.frame)) == (frame["baud"], format_found)
    assert guess.inverted == (line == "tx_inverted")


def test_the_lines_of_text_are_found_beside_a_clock() -> None:
    edges, channels = joined("text_115200_8n1")
    found = {one.name for one in uart_lines(edges, channels)}
    assert found == {"tx", "tx_inverted", "port[1]"}
