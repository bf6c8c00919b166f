"""The state machine one would write first: one edge at a time, in plain Python."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass
class Row:
    start_ns: int
    started_by: int
    end_ns: int = 0
    ended_by: int = 0
    address: int = -1
    read: bool = False
    address_acked: bool = False
    data: bytes = b""
    acked: Sequence[bool] = ()
    bits_over: int = 0
    scl_low_max_ns: int = 0
    problems: int = 0


def decode(
    t_ns: Sequence[int], levels: Sequence[int], spike_ns: int, held_ns: int
) -> tuple[list[Row], list[tuple[int, int]], int]:
    """Rows, idle spans, and how many spikes and holds were met."""
    rows: list[Row] = []
    idle: list[tuple[int, int]] = []
    odd = 0
    row: Row | None = None
    started_by = 0
    bits: list[int] = []
    pending: int | None = None
    fall_ns = last_ns = idle_from = t_ns[0]
    edge_ns = [t_ns[0] - held_ns] * 2
    was = levels[0]
    for t, now in zip(t_ns, levels, strict=True):
        changed = was ^ now
        if t - last_ns >= held_ns and (was & 3 != 3 or row is not None):
            odd += 1
        if changed & 1:
            odd += t - edge_ns[0] < spike_ns
            edge_ns[0] = t
            if now & 1:
                if row is not None and t - fall_ns > row.scl_low_max_ns:
                    row.scl_low_max_ns = t - fall_ns
                pending = now >> 1 & 1
            else:
                fall_ns = t
                if pending is not None and row is not None:
                    bits.append(pending)
                pending = None
        if changed & 2:
            odd += t - edge_ns[1] < spike_ns
            edge_ns[1] = t
            if was & now & 1:
                pending = None
                is_start = not now & 2
                if row is not None:
                    out_of_place = len(bits) % 9 or t - last_ns >= held_ns
                    row.ended_by = 0 if not is_start else 2 if out_of_place else 1
                    row.end_ns = t
                    _read(row, bits, held_ns)
                    rows.append(row)
                    started_by = 1 if row.ended_by == 1 else 0
                elif is_start and t > idle_from:
                    idle.append((idle_from, t))
                row = Row(t, started_by) if is_start else None
                bits = []
                if not is_start:
                    idle_from, started_by = t, 0
        was, last_ns = now, t
    return rows, idle, odd


def _read(row: Row, bits: list[int], held_ns: int) -> None:
    values, acked = [], []
    for k in range(0, len(bits) - 8, 9):
        value = 0
        for bit in bits[k : k + 8]:
            value = value << 1 | bit
        values.append(value)
        acked.append(not bits[k + 8])
    row.bits_over = len(bits) % 9
    if values:
        row.address, row.read, row.address_acked = values[0] >> 1, bool(values[0] & 1), acked[0]
        row.problems |= 0 if acked[0] or values[0] == 1 else 1
        row.problems |= 256 if 2 <= values[0] < 16 or values[0] >= 0xF8 else 0
        row.data, row.acked = bytes(values[1:]), acked[1:]
        if not row.read and not all(row.acked):
            row.problems |= 2
        if row.read and row.acked and row.acked[-1] and not row.bits_over:
            row.problems |= 4
    row.problems |= 8 if row.bits_over else 128 if not values else 0
    row.problems |= 16 if row.ended_by == 2 else 0
    row.problems |= 1024 if row.scl_low_max_ns >= held_ns else 0
