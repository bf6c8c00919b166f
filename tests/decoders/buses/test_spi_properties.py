"""The decoder against a plain reader, however its input is cut."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses import spi
from decoders.buses.spi import SpiDecoder
from decoders.buses.spi_format import Select, SpiFormat, SpiLines
from decoders.buses.spi_words import concatenated
from decoders.captures.edges import Edges
from tests.decoders.buses.spi_wave import (
    CS,
    MISO,
    MOSI,
    OTHER,
    SCK,
    PlainReader,
    SpiWave,
    Word,
    rows_of,
)

TWO = SpiLines(SCK, MOSI, MISO, (Select(CS), Select(OTHER, active_high=True)))
FORMATS = st.builds(SpiFormat, st.integers(0, 3), st.integers(4, 32), st.booleans())
# Pieces of a wave: whole words to a device, some bits, a change of a select, a level of a line, a
# select that changes and changes back, several lines that change in one row.
PIECES = st.one_of(
    st.tuples(st.just("words"), st.sampled_from([CS, OTHER]), st.integers(1, 4)),
    st.tuples(st.just("bits"), st.just(0), st.integers(1, 40)),
    st.tuples(st.just("select"), st.sampled_from([CS, OTHER]), st.sampled_from([5, 49, 50, 900])),
    st.tuples(st.just("level"), st.sampled_from([SCK, MOSI, MISO]), st.integers(0, 1)),
    st.tuples(st.just("blip"), st.sampled_from([CS, OTHER]), st.sampled_from([5, 49, 50])),
    st.tuples(st.just("together"), st.integers(1, 31), st.sampled_from([5, 400])),
)


@st.composite
def waves(draw: st.DrawFn) -> SpiWave:
    wave = SpiWave(draw(FORMATS), at_ns=draw(st.sampled_from([0, -7_000, 1_800 * 10**15])))
    if draw(st.booleans()):
        wave.level ^= 1 << draw(st.sampled_from([CS, OTHER, SCK]))
        wave.rows = [(wave.now_ns, wave.level)]
    for kind, line, number in draw(st.lists(PIECES, min_size=1, max_size=14)):
        match kind:
            case "words":
                wave.select(line)
                for _ in range(number):
                    wave.word(draw(st.integers(0, 2**32 - 1)), draw(st.integers(0, 2**32 - 1)))
                wave.select(line, on=False)
            case "bits":
                for at in range(0, number, wave.form.word_bits):
                    count = min(number - at, wave.form.word_bits)
                    wave.bits(draw(st.integers(0, 2**32 - 1)), 0, count)
            case "select":
                wave.set(line, 1 - (wave.level >> line & 1)).wait(number)
            case "blip":
                wave.set(line, 1 - (wave.level >> line & 1)).wait(number)
                wave.set(line, 1 - (wave.level >> line & 1)).wait(number)
            case "together":
                wave.change(line).wait(number)
            case "level":
                wave.set(line, number).wait(100)
    return wave


def decoded(wave: SpiWave, blocks: list[Edges], lines: SpiLines, pause_ns: int = 0) -> list[Word]:
    decoder = SpiDecoder(lines, wave.form, pause_ns=pause_ns)
    parts = [decoder.feed(block) for block in blocks]
    left = decoder.unfinished()
    rest = decoder.finish()
    assert rows_of(left) == rows_of(rest)
    return rows_of(concatenated([*parts, rest]))


def cut(edges: Edges, cuts: list[int], until: list[float]) -> list[Edges]:
    """The rows in blocks, each known to somewhere before the next one begins."""
    n = len(edges.t_ns)
    bounds = [0, *sorted(min(at, n) for at in cuts), n]
    blocks = []
    for k, (a, b) in enumerate(pairwise(bounds)):
        last = int(edges.t_ns[b - 1]) if b else int(edges.t_ns[0])
        following = int(edges.t_ns[b]) if b < n else edges.until_ns
        share = until[k % len(until)] if until else 0.0
        known_ns = last + int(share * (following - last)) if b < n else edges.until_ns
        begins = edges.begins and a == 0
        blocks.append(Edges(edges.t_ns[a:b], edges.levels[a:b], begins, known_ns))
    return blocks


@settings(max_examples=200, deadline=None)
@given(wave=waves(), known_ns=st.sampled_from([0, 400, 90_000]))
def test_rows_are_those_of_a_plain_reader(wave: SpiWave, known_ns: int) -> None:
    edges = wave.edges(wave.now_ns + known_ns)
    assert decoded(wave, [edges], TWO) == PlainReader(TWO, wave.form).read(edges)


@settings(max_examples=200, deadline=None)
@given(
    wave=waves(),
    cuts=st.lists(st.integers(0, 300), max_size=30),
    until=st.lists(st.floats(0, 1), max_size=4),
    by_pauses=st.booleans(),
    block=st.sampled_from([1, 7, 1 << 16]),
)
def test_rows_do_not_depend_on_how_the_edges_are_cut(
    wave: SpiWave, cuts: list[int], until: list[float], by_pauses: bool, block: int
) -> None:
    edges = wave.edges()
    lines = SpiLines(SCK, MOSI, MISO) if by_pauses else TWO
    pause_ns = 1_600 if by_pauses else 0
    whole = decoded(wave, [edges], lines, pause_ns)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spi, "_BLOCK", block)
        assert decoded(wave, cut(edges, cuts, until), lines, pause_ns) == whole


@settings(max_examples=60, deadline=None)
@given(
    form=FORMATS,
    words=st.lists(st.tuples(*2 * [st.integers(0, 2**32 - 1)]), min_size=1, max_size=20),
)
def test_words_that_were_sent_are_read_back(form: SpiFormat, words: list[tuple[int, int]]) -> None:
    wave = SpiWave(form).wait(5_000).select()
    most = (1 << form.word_bits) - 1
    for mosi, miso in words:
        wave.word(mosi & most, miso & most)
    wave.select(on=False)
    found = decoded(wave, [wave.edges()], SpiLines(SCK, MOSI, MISO, (Select(CS),)))
    assert [(row.mosi, row.miso, row.problems) for row in found] == [
        (mosi & most, miso & most, ()) for mosi, miso in words
    ]
    assert np.diff([row.start_ns for row in found]).min(initial=form.word_bits) > 0
