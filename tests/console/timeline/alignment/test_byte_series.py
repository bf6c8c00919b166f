"""Counters in transactions that nobody described."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from console.timeline.alignment.byte_series import byte_series
from decoders.buses.transactions import Transactions, no_transactions


def reads(payloads: list[list[int]], address: int = 0x2E, *, acked: bool = True) -> Transactions:
    """One read a second with these bytes."""
    n = len(payloads)
    start = np.arange(n) * 1_000_000_000
    return replace(
        no_transactions(),
        start_ns=start,
        end_ns=start + 400_000,
        address=np.full(n, address, np.int16),
        address_bits=np.full(n, 7, np.uint8),
        read=np.ones(n, np.bool_),
        address_acked=np.full(n, acked),
        first=np.cumsum([0, *map(len, payloads)]),
        data=np.array([b for p in payloads for b in p], np.uint8),
    )


def words(k: int) -> list[int]:
    """A packet whose counter stands low byte first behind two bytes that never change."""
    return [0xA5, 0x5A, k & 0xFF, k >> 8]


def test_a_counter_of_two_bytes_is_found_where_it_stands() -> None:
    found = byte_series("wire", reads([words(k) for k in range(200, 600)]))
    whole = [s for s in found if len(np.unique(s.keys)) == 400]
    assert whole
    assert all(s.kind == "counter" and s.name == "" for s in whole)
    assert any(s.keys.view(np.float64).tolist() == list(range(200, 600)) for s in whole)


def test_each_shape_is_looked_at_by_itself() -> None:
    payloads = [words(k) + [0] * (k % 2) for k in range(40)]
    found = byte_series("wire", reads(payloads))
    assert {len(s.keys) for s in found} == {20}


def test_what_nobody_answered_and_what_never_changes_say_nothing() -> None:
    assert byte_series("wire", reads([words(k) for k in range(30)], acked=False)) == []
    assert byte_series("wire", reads([words(7)] * 30)) == []
