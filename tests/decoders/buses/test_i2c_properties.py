"""The fast decoder against the plain one, cut in any way, on good, broken and random waves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses import i2c, i2c_fold
from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import LINE_STATES
from decoders.captures.edges import Edges
from tests.decoders.buses.reference import Reference, Row, Stretch
from tests.decoders.buses.rows import blocks_of, decoded, edges_of
from tests.decoders.buses.wave import Wave

HELD_NS = 100_000
SPIKE_NS = 50

# What a wave is built from: most of it traffic, some of it faults.
LONG = st.sampled_from([HELD_NS - 1, HELD_NS, HELD_NS + 1, 3 * HELD_NS])
SHORT = st.sampled_from([0, 1, 49, 50, 51, 100, 2500])
BYTES = st.sampled_from([0x00, 0x01, 0x5C, 0x5D, 0xA8, 0xF4, 0xF5, 0xA5, 0xF2, 0xF8, 0xFF, 0x3C])


def step(
    name: str, *arguments: st.SearchStrategy[Any], **named: st.SearchStrategy[Any]
) -> st.SearchStrategy[Callable[[Wave], Wave]]:
    return st.builds(
        lambda a, k: lambda wave: getattr(wave, name)(*a, **k),
        st.tuples(*arguments),
        st.fixed_dictionaries(named),
    )


def ten_bit_read(wave: Wave) -> Wave:
    """UM10204 section 3.1.11: the read takes its address from the write before it."""
    return wave.start().byte(0xF4).byte(0xA5).start().byte(0xF5).byte(0x3C, ack=False)


LEVEL = st.integers(0, 1)
STEPS = st.one_of(
    st.just(ten_bit_read),
    step("transaction", st.just(0x2E), st.binary(max_size=2), read=st.booleans()),
    step("start"),
    step("stop"),
    step("byte", BYTES, ack=st.booleans()),
    step("byte", BYTES),
    step("bit", LEVEL),
    step("wait", LONG | SHORT),
    step("spike", st.sampled_from(["scl", "sda"]), SHORT),
    step("set", scl=LEVEL, sda=LEVEL),
)


@st.composite
def built_rows(draw: st.DrawFn) -> list[Row]:
    wave = Wave(10_000, draw(st.sampled_from([0, -7, 10**15])), scl=draw(LEVEL), sda=draw(LEVEL))
    for one in draw(st.lists(STEPS, min_size=1, max_size=14)):
        one(wave)
    return [(t, levels & 1, levels >> 1) for t, levels in wave.rows]


@st.composite
def random_rows(draw: st.DrawFn) -> list[Row]:
    steps = draw(st.lists(st.tuples(SHORT | LONG, st.integers(1, 3)), max_size=40))
    t, state = 0, draw(st.integers(0, 3))
    rows = [(t, state & 1, state >> 1)]
    for wait, change in steps:
        t, state = t + wait, state ^ change
        rows.append((t, state & 1, state >> 1))
    return rows


@st.composite
def stretches(draw: st.DrawFn) -> list[Stretch]:
    out: list[Stretch] = []
    for _ in range(draw(st.integers(1, 2))):
        rows = draw(built_rows() | random_rows())
        if out:
            shift = out[-1].until_ns - rows[0][0] + draw(SHORT | LONG)
            rows = [(t + shift, scl, sda) for t, scl, sda in rows]
        out.append(Stretch(rows, rows[-1][0] + draw(SHORT | LONG)))
    return out


def expected(
    given: list[Stretch], spike_ns: int, max_bytes: int
) -> tuple[list[tuple[object, ...]], list[tuple[int, int, str, int, str]]]:
    plain = Reference(spike_ns, HELD_NS, max_bytes)
    plain.decode(given)
    return [row.columns() for row in plain.transactions], sorted(plain.states)


@settings(max_examples=150, deadline=None)
@given(
    given=stretches(),
    spike_ns=st.sampled_from([0, SPIKE_NS]),
    # A block is never longer than what one row may hold.
    limits=st.sampled_from([(2, 3), (2, 16), (1 << 16, 3), (1 << 16, 16), (1 << 16, 1 << 16)]),
    wait_ns=st.sampled_from([None, 0, 20_000]),
    cuts=st.lists(st.integers(0, 80), max_size=6),
    every=st.booleans(),
    until=st.lists(st.sampled_from([0.0, 0.5, 1.0]), max_size=3),
)
def test_fast_decoder_equals_the_plain_one_however_the_edges_are_cut(
    given: list[Stretch],
    spike_ns: int,
    limits: tuple[int, int],
    wait_ns: int | None,
    cuts: list[int],
    every: bool,
    until: list[float],
) -> None:
    max_bytes, block = limits
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(i2c_fold, "MAX_BYTES", max_bytes)
        patch.setattr(i2c, "_BLOCK", block)
        whole = [edges_of(stretch.rows, stretch.until_ns) for stretch in given]
        places = range(100) if every else cuts
        pieces = [piece for one in whole for piece in blocks_of(one, list(places), until)]
        decoder = I2cDecoder(0, 1, spike_ns=spike_ns, held_ns=HELD_NS, wait_ns=wait_ns)
        transactions, states = decoded(decoder, pieces)
    want_transactions, want_states = expected(given, spike_ns, max_bytes)
    assert transactions == want_transactions
    assert [row[:3] for row in states] == [row[:3] for row in sorted_words(want_states)]
    assert sorted(states) == sorted(want_states)


def sorted_words(
    states: list[tuple[int, int, str, int, str]],
) -> list[tuple[int, int, str, int, str]]:
    return sorted(states, key=lambda row: (row[0], row[1], LINE_STATES.index(row[2])))


@settings(max_examples=100, deadline=None)
@given(given=stretches(), spike_ns=st.sampled_from([0, SPIKE_NS]))
def test_every_edge_lies_in_a_transaction_or_a_line_state(
    given: list[Stretch], spike_ns: int
) -> None:
    whole = [edges_of(stretch.rows, stretch.until_ns) for stretch in given]
    transactions, states = decoded(I2cDecoder(0, 1, spike_ns=spike_ns, held_ns=HELD_NS), whole)
    spans = [*(row[:2] for row in transactions), *(row[:2] for row in states)]
    edges = [t for stretch in given for t, _, _ in stretch.rows]
    lost = [t for t in edges if not any(a <= t <= b for a, b in spans)]  # type: ignore[operator]
    assert lost == []


@settings(max_examples=60, deadline=None)
@given(given=stretches(), other=st.lists(st.integers(0, 1), min_size=1, max_size=8))
def test_other_channels_do_not_matter(given: list[Stretch], other: list[int]) -> None:
    stretch = given[0]
    plain = edges_of(stretch.rows, stretch.until_ns)
    # SCL on bit 9, SDA on bit 1, and bit 3 changing also between the rows of the bus
    levels = (plain.levels & 1).astype(np.uint16) << 9 | (plain.levels & 2)
    t_ns = np.repeat(plain.t_ns, 2)
    wide = np.repeat(levels, 2)
    wide[1::2] |= np.resize(np.array(other, np.uint16), len(levels)) << 3
    busy = Edges(t_ns, wide, True, plain.until_ns)
    assert decoded(I2cDecoder(9, 1, held_ns=HELD_NS), [busy]) == decoded(
        I2cDecoder(0, 1, held_ns=HELD_NS), [plain]
    )
