"""A line of a bus held low for too long."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from console.watch.asked import BusKey
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.names import address_text
from console.watch.rule import Batch, Words

STATES = {
    "sda-held": "SDA held low",
    "scl-held": "SCL held low",
    "both-held": "SDA and SCL held low",
}
# Held for so long, or to the end: the bus is stuck and not just slow.
STUCK_NS = 1_000_000_000


@dataclass(slots=True)
class _Held:
    tally: Tally = field(default_factory=Tally)
    longest_ns: int = 0


@dataclass(frozen=True, slots=True)
class _Span:
    key: BusKey
    state: str
    start_ns: int
    end_ns: int
    bit_slot: int | None
    turn: str
    transfer: _Transfer | None  # that it was held in


@dataclass(frozen=True, slots=True)
class _Transfer:
    start_ns: int
    end_ns: int
    address: int | None
    address_bits: int
    read: bool | None
    left_open: bool  # no STOP or repeated START ended it

    def lasts(self, at_ns: int) -> bool:
        """Whether it was open at a time after its START."""
        return self.left_open or self.end_ns > at_ns

    @property
    def words(self) -> str:
        """`a read from 0x54`; no address where it was cut before it was complete."""
        if self.address is None:
            return "a transaction"
        way = "a read from" if self.read else "a write to"
        return f"{way} {address_text(self.address, self.address_bits)}"


class LineHeld:
    """A fold to the spans in which a line was held low.

    A span of a second, or one that lasts to the end of what was seen, has a finding of its own with
    the rule's severity. Shorter ones are told as one for each bus and line, as a warning at most: a
    target may stretch the clock (UM10204 section 3.1.9 sets no limit).

    Args:
        hold_ns: from how long on it counts.
        bus: the one bus it is about; None for every bus.
        others: buses that other rules are about.
        name: what the user calls the rule.
        severity: of a bus that is stuck.
    """

    def __init__(
        self,
        hold_ns: int = 25_000_000,
        *,
        bus: str | None = None,
        others: Collection[str] = (),
        name: str = "",
        severity: Severity = "fault",
    ) -> None:
        self._hold_ns = hold_ns
        self._bus = bus
        self._others = list(others)
        self._name = name
        self._severity: Severity = severity
        self._words = Words(0)
        self._short: dict[tuple[BusKey, str], _Held] = {}
        self._last: dict[BusKey, _Span] = {}  # the last span, which may last
        self._seen_ns: dict[BusKey, int] = {}
        self._transfers: dict[BusKey, _Transfer] = {}  # the last of each bus

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; return long spans that another one followed."""
        states = batch.table("line_states").filter(pl.col("state") != "not-observed")
        traffic = batch.table("transactions")
        wanted = ~pl.col("bus").is_in(self._others)
        if self._bus is not None:
            wanted &= pl.col("bus") == self._bus
        states, traffic = states.filter(wanted), traffic.filter(wanted)
        held = states.filter(
            pl.col("state").is_in(list(STATES))
            & (pl.col("end_ns") - pl.col("start_ns") >= self._hold_ns)
        )
        findings = []
        for row in held.iter_rows(named=True):  # few: each lasts at least `hold_ns`
            span = _Span(
                BusKey(row["source"], row["bus"]),
                row["state"],
                row["start_ns"],
                row["end_ns"],
                row.get("bit_slot"),
                row.get("turn") or "unknown",
                self._transfer(BusKey(row["source"], row["bus"]), row["start_ns"], traffic),
            )
            findings += self._over(span.key)
            self._last[span.key] = span
        for row in traffic.group_by("source", "bus").last().iter_rows(named=True):
            self._transfers[BusKey(row["source"], row["bus"])] = _transfer(row)
        for frame in (states, traffic):
            latest = frame.group_by("source", "bus").agg(pl.col("start_ns").max())
            for source, bus, start_ns in latest.iter_rows():
                key = BusKey(source, bus)
                self._seen_ns[key] = max(self._seen_ns.get(key, start_ns), start_ns)
        return findings

    def _transfer(self, key: BusKey, at_ns: int, traffic: pl.DataFrame) -> _Transfer | None:
        """The transaction of a bus that was open at a time, its START in this batch or before."""
        begun = traffic.filter(
            (pl.col("source") == key.source)
            & (pl.col("bus") == key.bus)
            & (pl.col("start_ns") <= at_ns)
        )
        last = self._transfers.get(key)
        if begun.height:
            last = _transfer(begun.row(-1, named=True))
        return last if last is not None and last.lasts(at_ns) else None

    def finish(self, until_ns: int) -> list[Finding]:
        """Return the spans that last, and the short ones, counted."""
        findings = []
        for key, span in list(self._last.items()):
            if self._seen_ns[key] < span.end_ns:
                findings.append(self._stuck(span, over=False))
            else:
                findings += self._over(key)
        return findings + [self._counted(key, state, h) for (key, state), h in self._short.items()]

    def _over(self, key: BusKey) -> list[Finding]:
        """The bus's last span is over: tell it now, or count it."""
        span = self._last.pop(key, None)
        if span is None:
            return []
        if span.end_ns - span.start_ns >= STUCK_NS:
            return [self._stuck(span, over=True)]
        held = self._short.setdefault((key, span.state), _Held())
        held.tally.add(np.array([span.start_ns], np.int64))
        held.longest_ns = max(held.longest_ns, span.end_ns - span.start_ns)
        return []

    def _stuck(self, span: _Span, *, over: bool) -> Finding:
        lasted = self._words.lasting(span.end_ns - span.start_ns)
        when = f"for {lasted} from {self._words.at(span.start_ns)}"
        if not over:
            when = f"since {self._words.at(span.start_ns)}, to the end of what was seen ({lasted})"
        where = ""
        if span.bit_slot is not None:
            where = f"; {counted(span.bit_slot, 'clock')} into a byte"
            where += f" of {span.transfer.words}" if span.transfer is not None else ""
            if span.turn != "unknown":
                where += f", when it was the {span.turn}'s turn to drive SDA"
        evidence = {
            "bus": span.key.bus,
            "state": span.state,
            "start_ns": span.start_ns,
            "end_ns": span.end_ns,
            "held_ns": span.end_ns - span.start_ns,
            "bit_slot": span.bit_slot,
            "turn": span.turn,
            "in": span.transfer.words if span.transfer is not None else None,
            "over": over,
        }
        summary = f"{span.key.bus}: {STATES[span.state]} {when}{where}"
        return self._finding(span.key, span.start_ns, self._severity, summary, evidence)

    def _counted(self, key: BusKey, state: str, held: _Held) -> Finding:
        tally = held.tally
        summary = (
            f"{key.bus}: {STATES[state]} {counted(tally.count, 'time')} for "
            f"{self._words.lasting(self._hold_ns)} or longer, the longest "
            f"{self._words.lasting(held.longest_ns)}, first at {self._words.at(tally.first_ns)}"
        )
        evidence = {
            "bus": key.bus,
            "state": state,
            "longest_ns": held.longest_ns,
            **tally.evidence(),
        }
        severity: Severity = "warning" if self._severity == "fault" else self._severity
        return self._finding(key, tally.first_ns, severity, summary, evidence)

    def _finding(
        self, key: BusKey, t_ns: int, severity: Severity, summary: str, evidence: dict[str, Any]
    ) -> Finding:
        if self._name:
            evidence["name"] = self._name
        return Finding(t_ns, "line-held", severity, key.bus, key.source, summary, evidence)


def _transfer(row: Mapping[str, Any]) -> _Transfer:
    return _Transfer(
        row["start_ns"],
        row["end_ns"],
        row["address"],
        row["address_bits"] or 7,
        row["read"],
        row["ended_by"] in ("stuck", "cut"),
    )
