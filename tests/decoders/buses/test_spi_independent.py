"""Waves of an independent model, cocotbext-spi on Icarus Verilog, against what it sent.

How they were made stands in tests/data/spi_independent/README.md.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from decoders.buses.spi import SpiDecoder
from decoders.buses.spi_format import Select, SpiFormat, SpiLines
from decoders.buses.spi_guess import guessed_format
from decoders.buses.spi_roles import spi_by_behaviour, spi_by_name
from decoders.buses.spi_words import concatenated
from decoders.captures.edges import Edges
from decoders.captures.vcd import VcdReader

DATA = Path(__file__).parents[2] / "data" / "spi_independent"
WAVES = (
    "mode0_8_msb",
    "mode1_8_msb",
    "mode2_8_msb",
    "mode3_8_msb",
    "mode0_8_lsb",
    "mode1_12_lsb",
    "mode2_4_msb",
    "mode3_16_msb",
    "mode0_32_msb",
    "mode3_8_two",
)
NAMES = ("sclk", "mosi", "miso", "cs_a", "cs_b")


def truth_of(name: str) -> tuple[SpiFormat, list[dict[str, Any]]]:
    """The format and the transfers."""
    frame, *transfers = json.loads((DATA / f"{name}.json").read_text("utf-8"))
    return SpiFormat(frame["mode"], frame["bits"], not frame["msb_first"]), transfers


def blocks_of(name: str, chunk: int = 1 << 20) -> tuple[list[Edges], list[str]]:
    """All edges, and the names of the lines."""
    reader = VcdReader(name, wanted=NAMES)
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
    (edges,) = (block for block in blocks if len(block.t_ns))
    return Edges(edges.t_ns, edges.levels, True, blocks[-1].until_ns), channels


def lines_of(channels: list[str]) -> SpiLines:
    at = {name: channels.index(name) for name in NAMES}
    selects = Select(at["cs_a"]), Select(at["cs_b"], active_high=True)
    return SpiLines(at["sclk"], at["mosi"], at["miso"], selects)


@pytest.mark.parametrize("chunk", [1 << 20, 97])
@pytest.mark.parametrize("name", WAVES)
def test_words_are_those_the_model_sent(name: str, chunk: int) -> None:
    form, transfers = truth_of(name)
    blocks, channels = blocks_of(name, chunk)
    decoder = SpiDecoder(lines_of(channels), form)
    table = concatenated([*(decoder.feed(block) for block in blocks), decoder.finish()])
    assert not table.problems.any()
    # The truth has the time of each word's first sampling edge; the table that of its leading one.
    half_ns = 5e8 / json.loads((DATA / f"{name}.json").read_text("utf-8"))[0]["clock_hz"]
    lead_ns = round(half_ns) if form.samples_trailing else 0
    found = zip(
        ((table.start_ns + lead_ns).tolist()),
        table.device.tolist(),
        table.mosi.tolist(),
        table.miso.tolist(),
        strict=True,
    )
    assert list(found) == [
        (at_ns, int(transfer["select"] == "cs_b"), mosi, miso)
        for transfer in transfers
        for at_ns, mosi, miso in zip(
            transfer["at_ns"], transfer["mosi"], transfer["miso"], strict=True
        )
    ]


@pytest.mark.parametrize("name", WAVES)
def test_lines_and_mode_are_found(name: str) -> None:
    form, _ = truth_of(name)
    edges, channels = joined(name)
    (roles,) = spi_by_name(channels)
    guess = guessed_format(edges, roles.asked)
    assert guess.lines == lines_of(channels)
    assert guess.form.mode == form.mode
    # Lengths that are multiples of eight look like bytes: said to be assumed.
    told_bits = form.word_bits if form.word_bits % 8 else 8
    assert guess.form.word_bits == told_bits
    assert ("8 bits a word" in guess.assumed) == (told_bits == 8)
    assert "the most significant bit comes first" in guess.assumed


@pytest.mark.parametrize("name", ["mode0_8_msb", "mode3_8_msb", "mode3_16_msb"])
def test_lines_without_names_are_told_by_behaviour(name: str) -> None:
    edges, channels = joined(name)
    (roles,) = spi_by_behaviour(edges, ["one", "two", "three", "four", "five"])
    lines = lines_of(channels)
    assert roles.asked.sck == lines.sck
    assert roles.asked.selects == ((lines.selects[0].line, False),)
    assert {roles.asked.mosi, roles.asked.miso} == {lines.mosi, lines.miso}
    assert "cannot be told" in roles.why
