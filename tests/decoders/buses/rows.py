"""Tables as rows of plain Python, for comparing, and rows cut into blocks."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import (
    ENDED_BY,
    LINE_STATES,
    PROBLEMS,
    STARTED_BY,
    TURNS,
    LineStates,
    Transactions,
    concatenated,
)
from decoders.captures.edges import Edges
from tests.decoders.buses.wave import Wave


class Row(NamedTuple):
    """The columns of one transaction."""

    start_ns: int
    end_ns: int
    address: int
    address_bits: int
    read: bool
    address_acked: bool
    data: tuple[tuple[int, bool], ...]
    started_by: str
    ended_by: str
    bits_over: int
    scl_low_max_ns: int
    problems: tuple[str, ...]

    @property
    def values(self) -> bytes:
        """The data bytes."""
        return bytes(value for value, _ in self.data)


def problems(bits: int) -> tuple[str, ...]:
    """Words of a problems column, sorted."""
    return tuple(sorted(word for k, word in enumerate(PROBLEMS) if bits >> k & 1))


def transaction_rows(table: Transactions) -> list[tuple[object, ...]]:
    """One tuple a row, codes as words."""
    rows: list[tuple[object, ...]] = []
    for k in range(len(table)):
        part = slice(int(table.first[k]), int(table.first[k + 1]))
        data = tuple(zip(table.data[part].tolist(), table.acked[part].tolist(), strict=True))
        rows.append(
            (
                *(int(table.start_ns[k]), int(table.end_ns[k]), int(table.address[k])),
                *(int(table.address_bits[k]), bool(table.read[k]), bool(table.address_acked[k])),
                *(data, STARTED_BY[table.started_by[k]], ENDED_BY[table.ended_by[k]]),
                *(int(table.bits_over[k]), int(table.scl_low_max_ns[k])),
                problems(int(table.problems[k])),
            )
        )
    return rows


def state_rows(table: LineStates) -> list[tuple[int, int, str, int, str]]:
    """One tuple a row, codes as words."""
    return [
        (
            *(int(table.start_ns[k]), int(table.end_ns[k]), LINE_STATES[table.state[k]]),
            *(int(table.bit_slot[k]), TURNS[table.turn[k]]),
        )
        for k in range(len(table))
    ]


def decoded(
    decoder: I2cDecoder, blocks: Sequence[Edges]
) -> tuple[list[tuple[object, ...]], list[tuple[int, int, str, int, str]]]:
    """All rows of a decoder fed with blocks and finished."""
    given = [*(decoder.feed(block) for block in blocks), decoder.finish()]
    table = concatenated([transactions for transactions, _ in given])
    states = concatenated([states for _, states in given])
    return transaction_rows(table), state_rows(states)


def blocks_of(edges: Edges, cuts: Sequence[int], until: Sequence[float] = ()) -> list[Edges]:
    """One block cut at rows; each piece is known up to some share of the way to the next."""
    n = len(edges.t_ns)
    places = [0, *sorted(min(cut, n) for cut in cuts if cut), n]
    pieces = []
    for k, (a, b) in enumerate(pairwise(places)):
        last = int(edges.t_ns[b - 1]) if b else int(edges.t_ns[0])
        following = int(edges.t_ns[b]) if b < n else edges.until_ns
        share = until[k % len(until)] if until else 0.0
        known = edges.until_ns if b == n else last + int((following - last) * share)
        begins = edges.begins and a == 0 and b > a
        pieces.append(Edges(edges.t_ns[a:b], edges.levels[a:b], begins, known))
    return pieces


def edges_of(rows: Sequence[tuple[int, int, int]], until_ns: int, *, begins: bool = True) -> Edges:
    """Edges of (t_ns, SCL, SDA) rows; SCL is bit 0 and SDA bit 1."""
    return Edges(
        np.array([row[0] for row in rows], np.int64),
        np.array([row[1] | row[2] << 1 for row in rows], np.uint8),
        begins,
        until_ns,
    )


def rows_of(wave: Wave, *, spike_ns: int = 50, held_ns: int = 25_000_000) -> list[Row]:
    """Transactions of a whole wave."""
    decoder = I2cDecoder(0, 1, spike_ns=spike_ns, held_ns=held_ns)
    return [Row(*row) for row in decoded(decoder, [wave.edges()])[0]]  # type: ignore[arg-type]


def states_of(wave: Wave) -> list[tuple[int, int, str]]:
    """Line states of a whole wave."""
    return [row[:3] for row in decoded(I2cDecoder(0, 1), [wave.edges()])[1]]
