"""A plain I2C decoder, one edge at a time, written apart from the fast one to compare with it.

It follows the words of UM10204 and of the tables; it keeps everything in lists and is slow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

Row = tuple[int, int, int]  # t_ns, SCL, SDA
State = tuple[int, int, str, int, str]  # start_ns, end_ns, state, bit slot, turn


@dataclass
class Stretch:
    """Rows observed without a gap; the first states the levels at the beginning."""

    rows: list[Row]
    until_ns: int


@dataclass
class Transaction:
    start_ns: int
    started_by: str
    seen_start: bool = True
    end_ns: int = 0
    ended_by: str = ""
    close_ns: int | None = None  # when the condition that closed it came
    bits: list[int] = field(default_factory=list)
    low_max_ns: int = 0
    problems: set[str] = field(default_factory=set)
    goes_on: Transaction | None = None  # the row this one is the later part of
    address: int = -1
    address_bits: int = 0
    read: bool = False
    address_acked: bool = False
    data: list[tuple[int, bool]] = field(default_factory=list)

    def columns(self) -> tuple[object, ...]:
        return (
            *(self.start_ns, self.end_ns, self.address, self.address_bits, self.read),
            *(self.address_acked, tuple(self.data), self.started_by, self.ended_by),
            *(len(self.bits) % 9, self.low_max_ns, tuple(sorted(self.problems))),
        )


def filtered(rows: Sequence[Row], spike_ns: int) -> tuple[list[Row], list[tuple[int, int]]]:
    """Rows without pulses shorter than spike_ns on either line, and those pulses."""
    spikes: list[tuple[int, int]] = []
    after: list[list[int]] = []
    for line in (1, 2):
        runs = [(k, row[0], row[line]) for k, row in enumerate(rows)]
        runs = [run for k, run in enumerate(runs) if k == 0 or run[2] != runs[k - 1][2]]
        level, levels = runs[0][2], [runs[0][2]] * len(rows)
        for number, (row, t, value) in enumerate(runs):
            end = runs[number + 1][1] if number + 1 < len(runs) else None
            if number and end is not None and end - t < spike_ns:
                spikes.append((t, end))
            else:
                level = value
            stop = runs[number + 1][0] if number + 1 < len(runs) else len(rows)
            levels[row:stop] = [level] * (stop - row)
        after.append(levels)
    out: list[Row] = []
    for (t, _, _), scl, sda in zip(rows, *after, strict=True):
        if not out or (scl, sda) != out[-1][1:]:
            out.append((t, scl, sda))
    return out, spikes


class Reference:
    """Decode stretches one after the other."""

    def __init__(self, spike_ns: int, held_ns: int, max_bytes: int = 1 << 16) -> None:
        self.spike_ns, self.held_ns, self.max_bytes = spike_ns, held_ns, max_bytes
        self.transactions: list[Transaction] = []
        self.states: list[State] = []

    def decode(self, stretches: Sequence[Stretch]) -> None:
        until: int | None = None
        for stretch in stretches:
            if until is not None and stretch.rows[0][0] > until:
                self.states.append((until, stretch.rows[0][0], "not-observed", -1, "unknown"))
            until = stretch.until_ns
            self._stretch(stretch)

    def _stretch(self, stretch: Stretch) -> None:
        rows, spikes = filtered(stretch.rows, self.spike_ns)
        begin = len(self.transactions)
        self.group: list[Transaction] = []
        self.t, self.scl, self.sda = rows[0]
        self.fall_ns, self.sda_was_high = self.t, bool(self.sda)
        self.pending: int | None = None
        self.outside: list[tuple[int, int, int]] | None = None  # t, SCL and SDA before it
        self.idle_from = self.t
        self.open: Transaction | None = Transaction(self.t, "cut", seen_start=False)
        self.open.problems.add("begins-cut")
        self.edges = 0
        for row in rows[1:]:
            self._row(*row)
            self.edges += 1
        self._end(stretch.until_ns)
        for start, end in spikes:
            self.states.append((start, end, "spike", -1, "unknown"))
            for transaction in self.transactions[begin:]:
                closed = transaction.close_ns
                if transaction.start_ns <= start and (closed is None or start < closed):
                    transaction.problems.add("spike")

    def _row(self, t: int, scl: int, sda: int) -> None:
        was = (self.scl, self.sda)
        gap = t - self.t
        is_start = was == (1, 1) and (scl, sda) == (1, 0)
        is_stop = was == (1, 0) and (scl, sda) == (1, 1)
        if self.edges == 0 and was == (1, 1) and (is_start or gap >= self.held_ns):
            self.open, self.outside = None, []
        if gap >= self.held_ns:
            self._quiet(t, was)
        if was[0] == 0 and scl == 1:
            self._rise(t, sda)
        elif was[0] == 1 and scl == 0:
            self.fall_ns, self.sda_was_high = t, bool(sda)
        elif scl == 0 and sda == 1:
            self.sda_was_high = True
        if is_start:
            self._start(t, gap)
        elif self.open is None:
            assert self.outside is not None
            self.outside.append((t, *was))
        elif is_stop:
            self._close(self.open, t, "stop", t)
            self.open, self.outside, self.idle_from, self.group = None, [], t, []
        was_t = self.t
        self.t, self.scl, self.sda = t, scl, sda
        assert was_t <= t
        if is_start or is_stop:
            self.pending = None
        elif was[0] == 1 and scl == 0 and self.pending is not None:
            self._bit(t)

    def _bit(self, t: int) -> None:
        assert self.pending is not None
        if self.open is not None and self.open.seen_start:
            self.open.bits.append(self.pending)
            if len(self.open.bits) == 9 * self.max_bytes:
                self._split(self.open, t)
        self.pending = None

    def _split(self, first: Transaction, t: int) -> None:
        first.problems.add("split")
        self._close(first, t, "cut", t)
        self.open = Transaction(t, "cut", goes_on=first)
        self.open.problems.add("split")

    def _rise(self, t: int, sda: int) -> None:
        low = t - self.fall_ns
        if self.open is not None:
            self.open.low_max_ns = max(self.open.low_max_ns, low)
        if low >= self.held_ns:
            state = "scl-held" if self.sda_was_high else "both-held"
            self._held(self.fall_ns, t, state, "scl-held")
        self.pending = sda

    def _held(self, start: int, end: int, state: str, problem: str) -> None:
        slot, turn = -1, "unknown"
        if self.open is not None:
            self.open.problems.add(problem)
            if self.open.seen_start:
                slot, turn = self._whose(self.open)
        self.states.append((start, end, state, slot, turn))

    def _whose(self, transaction: Transaction) -> tuple[int, str]:
        """Whose turn it is: replay the transaction from its beginning."""
        bits = [*transaction.bits]
        first: Transaction | None = transaction.goes_on
        while first is not None:
            bits, first = [*first.bits, *bits], first.goes_on
        whole = [bits[k : k + 9] for k in range(0, len(bits) // 9 * 9, 9)]
        slot = len(bits) % 9
        if slot == 0 and whole and whole[-1][8]:
            return slot, "controller"
        if not whole:
            sender = "controller"
        else:
            head = "".join(map(str, whole[0][:8]))
            second_address = head.startswith("11110") and head.endswith("0") and len(whole) == 1
            sender = "target" if head.endswith("1") and not second_address else "controller"
        other = {"controller": "target", "target": "controller"}[sender]
        return slot, other if slot == 8 else sender

    def _quiet(self, t: int, was: tuple[int, int]) -> None:
        if was == (1, 0):
            self._held(self.t, t, "sda-held", "sda-held")
        elif was == (1, 1) and self.open is not None:
            self.states.append((self.t, t, "busy", -1, "unknown"))

    def _start(self, t: int, gap: int) -> None:
        started_by = "start"
        if self.open is None:
            self._outside_ends(t, (1, 1))
        elif gap >= self.held_ns:
            self._close(self.open, self.t, "start", t)
        elif len(self.open.bits) % 9:
            self._close(self.open, t, "start", t)
        else:
            self._close(self.open, t, "restart", t)
            started_by = "restart"
        if started_by == "start":
            self.group = []
        self.open, self.outside = Transaction(t, started_by), None

    def _outside_ends(self, until: int, lines: tuple[int, int]) -> None:
        """Idle and noise from the last STOP up to a START or the end."""
        assert self.outside is not None
        bursts: list[list[int]] = []
        before: list[tuple[int, int]] = []  # lines in the quiet before each burst
        last = self.idle_from
        for k, (t, scl, sda) in enumerate(self.outside):
            if k == 0 or t - last >= self.held_ns:
                bursts.append([])
                before.append((scl, sda))
            bursts[-1].append(t)
            last = t
        after = [*before[1:], lines]
        idle_from = self.idle_from
        for number, burst in enumerate(bursts):
            if before[number] == (1, 1):
                self._idle(idle_from, burst[0])
            ends_at_hold = after[number] != (1, 1) and (
                number + 1 < len(bursts) or self._held_at(until)
            )
            begins_at_hold = before[number] != (1, 1)
            if len(burst) > 1 or not (ends_at_hold or begins_at_hold):
                self.states.append((burst[0], burst[-1], "noise", -1, "unknown"))
            idle_from = burst[-1]
        if lines == (1, 1):
            self._idle(idle_from, until)

    def _held_at(self, until: int) -> bool:
        if not self.scl:
            return until - self.fall_ns >= self.held_ns
        return not self.sda and until - self.t >= self.held_ns

    def _idle(self, start: int, end: int) -> None:
        if end > start:
            self.states.append((start, end, "idle", -1, "unknown"))

    def _end(self, until: int) -> None:
        lines, quiet = (self.scl, self.sda), until - self.t >= self.held_ns
        held = self._held_at(until)
        if held and not self.scl:
            state = "scl-held" if self.sda_was_high else "both-held"
            self._held(self.fall_ns, until, state, "scl-held")
        elif held:
            self._held(self.t, until, "sda-held", "sda-held")
        if self.open is None:
            self._outside_ends(until, lines)
            return
        if not self.edges:
            if lines == (1, 1):
                self.states.append((self.t, until, "idle", -1, "unknown"))
            elif not held:
                self.states.append((self.t, until, "busy", -1, "unknown"))
            return
        if lines == (1, 1) and quiet:
            self.states.append((self.t, until, "busy", -1, "unknown"))
        if not self.scl:
            self.open.low_max_ns = max(self.open.low_max_ns, until - self.fall_ns)
        self.open.problems |= {"no-stop", "ends-cut"}
        self._close(self.open, self.t if quiet else until, "stuck" if held else "cut", None)

    def _close(self, row: Transaction, end: int, ended_by: str, close: int | None) -> None:
        row.end_ns, row.ended_by, row.close_ns = end, ended_by, close
        if ended_by == "start":
            row.problems.add("no-stop")
        if row.seen_start:
            self._read(row)
        self.transactions.append(row)
        self.group.append(row)

    def _read(self, row: Transaction) -> None:
        values = []
        for k in range(0, len(row.bits) // 9 * 9, 9):
            value = int("".join(map(str, row.bits[k : k + 8])), 2)
            values.append((value, row.bits[k + 8] == 0))
        if row.goes_on is not None:
            first = row.goes_on
            row.address, row.address_bits = first.address, first.address_bits
            row.read, row.address_acked = first.read, first.address_acked
            row.data = values
        elif values:
            self._address(row, values)
        elif not row.bits and row.ended_by in ("stop", "restart"):
            row.problems.add("void")
        over = len(row.bits) % 9
        if not row.read and not all(acked for _, acked in row.data):
            row.problems.add("data-nack")
        ended_whole = not over and row.ended_by in ("stop", "restart")
        if row.read and row.data and ended_whole and row.data[-1][1]:
            row.problems.add("read-end-acked")
        if over and row.ended_by in ("stop", "start"):
            row.problems.add("cut-in-byte")

    def _address(self, row: Transaction, values: list[tuple[int, bool]]) -> None:
        first, acked = values[0]
        row.read, row.address_acked = bool(first & 1), acked
        row.address, row.address_bits, row.data = first >> 1, 7, values[1:]
        if first == 1:
            if acked:
                row.problems.add("reserved-address")
        elif not acked:
            row.problems.add("address-nack")
        if 1 <= row.address <= 7 or row.address >= 0x7C:
            row.problems.add("reserved-address")
        if first == 0 and [value for value, _ in row.data[:1]] == [0]:
            row.problems.add("reserved-address")
        if first >> 3 == 0b11110:
            self._ten_bit(row, values)

    def _ten_bit(self, row: Transaction, values: list[tuple[int, bool]]) -> None:
        row.address, row.address_bits = -1, 10
        top = (values[0][0] >> 1 & 3) << 8
        if not row.read:
            row.address_acked = False
            if len(values) > 1:
                row.address = top | values[1][0]
                row.address_acked = values[0][1] and values[1][1]
                row.data = values[2:]
                if not values[1][1]:
                    row.problems.add("address-nack")
            return
        for earlier in reversed(self.group):
            if earlier.goes_on is None and earlier.address_bits == 10 and earlier.read:
                if earlier.started_by == "restart":
                    continue
                return
            known = earlier.address if earlier.address_bits == 10 else -1
            if known >= 0 and known & 0x300 == top:
                row.address = known
            return
