"""Much healthy traffic, as columns: what the lines of a healthy twin would hold after hours of it.

A million transactions through the simulated wires take a quarter of an hour; here they are laid out
as columns in a second. Polls, shapes, times, counts, values and check bytes are those of `Works`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from captures_demo.simulator.corpus.variant import Part, Variant, variant_of
from captures_demo.simulator.corpus.works import BOOT_NS

Int64s = npt.NDArray[np.int64]
Octets = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.str_]
_HEX = np.frombuffer(b"0123456789abcdef", np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Plenty:
    """Healthy transactions in start order; every column has n rows."""

    start_ns: Int64s  # [n] true ns
    end_ns: Int64s  # [n] of the STOP, or of the repeated START that follows
    address: Int64s  # [n]
    read: Bools  # [n]
    data: Texts  # [n] hex without spaces
    acks: Texts  # [n]
    started_by: Texts  # [n] start, restart
    ended_by: Texts  # [n] stop, restart
    part: Int64s  # [n] index into parts
    count: Int64s  # [n] the part's own count of the poll
    value: Int64s  # [n] its value
    parts: tuple[Part, ...]

    def __len__(self) -> int:
        return len(self.start_ns)


def plenty(transactions: int = 1_000_000, *, variant: int = 0) -> Plenty:
    """Healthy traffic of one board and its parts; every poll is answered in full.

    Args:
        transactions: about so many; two a poll.
        variant: which bench, as `variant_of("healthy", ..)` draws it.

    Raises:
        ValueError: for less than one poll of each part.
    """
    if transactions < 20:
        raise ValueError(f"{transactions} transactions are less than a poll of each part")
    drawn = variant_of("healthy", variant)
    parts = (drawn.part, *drawn.neighbours)
    rng = np.random.Generator(np.random.PCG64(drawn.seed))
    part, due_ns = _due(drawn, len(parts), transactions // 2, rng)
    write_ns, read_ns = _durations(drawn, parts, part)
    busy_ns = write_ns + drawn.joint_ns + read_ns + 200_000
    # each poll begins when it is due and the one before it has left the bus
    before_ns = np.cumsum(busy_ns) - busy_ns
    start_ns = before_ns + np.maximum.accumulate(due_ns - before_ns)
    count, value = _readings(part, len(parts), rng)
    return _columns(drawn, parts, part, start_ns, write_ns, read_ns, count, value)


def _due(
    variant: Variant, parts: int, polls: int, rng: np.random.Generator
) -> tuple[Int64s, Int64s]:
    """Whose each poll is and when it is due, in order."""
    periods = np.array([variant.period_ns * (1 + k) + k * 7_654_321 for k in range(parts)])
    span_ns = int(polls / (1 / periods).sum())
    every = [BOOT_NS + k * 9_000_000 + np.arange(span_ns // p) * p for k, p in enumerate(periods)]
    part = np.repeat(np.arange(parts), [len(each) for each in every])
    due_ns = np.concatenate(every) + 20_000
    due_ns += np.minimum(rng.exponential(25_000, len(due_ns)), 2_000_000).astype(np.int64)
    order = np.argsort(due_ns, kind="stable")
    return part[order], due_ns[order]


def _durations(variant: Variant, parts: tuple[Part, ...], part: Int64s) -> tuple[Int64s, Int64s]:
    """Of the register write and of the read of every poll."""
    timing = variant.timing
    ends_ns = timing.hold_start_ns + timing.low_ns + variant.rise_ns + timing.setup_stop_ns
    lengths = np.array([each.length for each in parts])[part]
    write_ns = np.full(len(part), 18 * variant.bit_ns + ends_ns, np.int64)
    return write_ns, 9 * (1 + lengths) * variant.bit_ns + ends_ns


def _readings(part: Int64s, parts: int, rng: np.random.Generator) -> tuple[Int64s, Int64s]:
    """Counts that rise by one and values that wander, for each part by itself."""
    count, value = np.zeros(len(part), np.int64), np.zeros(len(part), np.int64)
    for each in range(parts):
        mine = part == each
        polls = int(mine.sum())
        count[mine] = (rng.integers(0, 1_000) + 1 + np.arange(polls)) & 0xFFFF
        wander = rng.integers(2_000, 30_000) + np.cumsum(rng.integers(-40, 41, polls))
        folded = np.abs(wander) % 120_000  # reflected at both ends, so that it never stands still
        value[mine] = np.where(folded > 60_000, 120_000 - folded, folded)
    return count, value


def _columns(
    variant: Variant,
    parts: tuple[Part, ...],
    part: Int64s,
    start_ns: Int64s,
    write_ns: Int64s,
    read_ns: Int64s,
    count: Int64s,
    value: Int64s,
) -> Plenty:
    apart = variant.joint_ns > 0
    read_from = start_ns + write_ns + variant.joint_ns
    data, acks = _reply(parts, part, count, value, apart=apart)
    register = np.array([f"{each.register:02x}" for each in parts])[part]
    joined = ("stop", "start") if apart else ("restart", "restart")
    polls = len(part)

    def both(write: npt.ArrayLike, read: npt.ArrayLike) -> npt.NDArray[np.generic]:
        """A column of two rows a poll."""
        halves = np.broadcast_to(write, polls), np.broadcast_to(read, polls)
        return np.stack(halves, axis=1).reshape(-1)

    address = np.array([each.address for each in parts])[part]
    return Plenty(
        start_ns=both(start_ns, read_from),  # type: ignore[arg-type]
        end_ns=both(start_ns + write_ns, read_from + read_ns),  # type: ignore[arg-type]
        address=both(address, address),  # type: ignore[arg-type]
        read=both(False, True),  # type: ignore[arg-type]
        data=both(register, data),  # type: ignore[arg-type]
        acks=both("A", acks),  # type: ignore[arg-type]
        started_by=both("start", joined[1]),  # type: ignore[arg-type]
        ended_by=both(joined[0], "stop"),  # type: ignore[arg-type]
        part=both(part, part),  # type: ignore[arg-type]
        count=both(count, count),  # type: ignore[arg-type]
        value=both(value, value),  # type: ignore[arg-type]
        parts=parts,
    )


def _reply(
    parts: tuple[Part, ...], part: Int64s, count: Int64s, value: Int64s, *, apart: bool
) -> tuple[Texts, Texts]:
    """Hex of the replies, and their acknowledges."""
    little = np.array([each.order == "little" for each in parts])[part]
    coded = np.array([each.pec for each in parts])[part]
    words = np.stack([count >> 8, count, value >> 8, value], axis=1).astype(np.uint8)
    words = np.where(little[:, None], words[:, [1, 0, 3, 2]], words)
    covered = np.array([[p.address << 1, p.register, p.address << 1 | 1] for p in parts], np.uint8)
    head = covered[part][:, 2:] if apart else covered[part]
    code = _pec(np.concatenate([head, words], axis=1))
    octets = np.concatenate([words, code[:, None]], axis=1)
    digits = _HEX[np.stack([octets >> 4, octets & 15], axis=2)].reshape(len(part), -1)
    text = np.ascontiguousarray(digits).view("S10").reshape(-1).astype("U10")
    return np.where(coded, text, text.astype("U8")), np.where(coded, "AAAAN", "AAAN")


def _pec(rows: Octets) -> Octets:
    """CRC-8/SMBUS of each row (polynomial 0x07): uint8[n, k] to uint8[n]."""
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = (table << 1 & 0xFF) ^ np.where(table & 0x80, 0x07, 0)
    code = np.zeros(len(rows), np.int64)
    for column in rows.T:
        code = table[code ^ column]
    return code.astype(np.uint8)
