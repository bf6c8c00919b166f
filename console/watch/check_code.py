"""Packets with problems, told once for each device and problem with the times of all."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.gaps import Ints
from console.watch.names import Names
from console.watch.rule import Batch, Words

CHECKS = ("check-code", "pec")
_IN_WORDS = {
    "check-code": "with a wrong check code",
    "pec": "with a wrong SMBus packet error code",
    "sync": "without their sync",
    "constant": "with another value in place of a constant",
    "length": "with a length that does not fit",
    "count": "with a count that does not fit",
    "enum": "with a value that has no name",
    "range": "with a value outside its range",
    "text": "with no number where one should be",
    "short": "too short",
    "trailing": "with bytes after their end",
    "filler": "of nothing but FF or 00",
    "junk": "of bytes that belong to no packet",
    "unknown": "of no kind that is described",
}
# Told by the transactions below, or no fault of the packet.
_NOT_TOLD = ("nack", "cut")


@dataclass(slots=True)
class _Counted:
    tally: Tally = field(default_factory=Tally)
    kinds: dict[str, int] = field(default_factory=dict)


class PacketProblems:
    """A fold to the packets that are broken, one finding a device and problem.

    Args:
        rule: its name in findings.
        names: who is who.
        only: the problems it is about; None for all but those of check codes.
        device: the one device it is about; None for every device.
        others: devices that other rules are about.
        severity: of what it finds.
    """

    def __init__(
        self,
        rule: str,
        names: Names,
        *,
        only: Collection[str] | None = None,
        device: str | None = None,
        others: Collection[str] = (),
        severity: Severity = "warning",
    ) -> None:
        self._rule = rule
        self._names = names
        self._only = None if only is None else list(only)
        self._device = device
        self._others = list(others)
        self._severity: Severity = severity
        self._words = Words(0)
        self._packets: dict[str, int] = {}  # by device: all, good and bad
        self._counted: dict[tuple[str, str], _Counted] = {}  # by device and problem

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        packets = batch.table("packets").filter(~pl.col("device").is_in(self._others))
        if self._device is not None:
            packets = packets.filter(pl.col("device") == self._device)
        for device, count in packets.group_by("device").len().iter_rows():
            self._packets[device] = self._packets.get(device, 0) + count
        bad = packets.filter(pl.col("problems").list.len() > 0)
        if not bad.height:
            return []
        problems = bad.select("device", "packet", "start_ns", "problems").explode("problems")
        if self._only is not None:
            problems = problems.filter(pl.col("problems").is_in(self._only))
        else:
            problems = problems.filter(~pl.col("problems").is_in([*CHECKS, *_NOT_TOLD]))
        parts = problems.partition_by("device", "problems", as_dict=True, maintain_order=True)
        for (device, problem), part in parts.items():
            counted_ = self._counted.setdefault((str(device), str(problem)), _Counted())
            counted_.tally.add(part["start_ns"].to_numpy())
            for kind, count in part.group_by("packet").len().iter_rows():
                counted_.kinds[str(kind)] = counted_.kinds.get(str(kind), 0) + count
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each device and problem."""
        return [
            self._finding(device, problem, found)
            for (device, problem), found in self._counted.items()
        ]

    def _finding(self, device: str, problem: str, found: _Counted) -> Finding:
        tally, total = found.tally, self._packets[device]
        words = _IN_WORDS.get(problem, f"with the problem {problem}")
        when = f"at {self._words.at(tally.first_ns)}"
        if tally.count > 1:
            when = f"first {when}, last at {self._words.at(tally.last_ns)}"
        summary = f"{device}: {counted(tally.count, 'packet')} of {total:,} {words}, {when}"
        evidence: dict[str, Any] = {
            "device": device,
            "problem": problem,
            "packets": dict(sorted(found.kinds.items())),
            "of": total,
            **tally.evidence(),
        }
        party = self._names.party(device)
        source = self._names.source_of_device(device)
        return Finding(tally.first_ns, self._rule, self._severity, party, source, summary, evidence)


class TransactionCheckCode:
    """A fold to transactions with a wrong SMBus PEC, one finding a target."""

    def __init__(
        self,
        names: Names,
        *,
        device: str | None = None,
        others: Collection[str] = (),
        severity: Severity = "warning",
    ) -> None:
        self._names = names
        self._device = device
        self._others = others
        self._severity: Severity = severity
        self._words = Words(0)
        self._tallies: dict[tuple[str, str], Tally] = {}  # by source and device

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        bad = batch.table("transactions").filter(
            pl.col("problems").list.contains("pec") & pl.col("address").is_not_null()
        )
        keys = ["source", "bus", "address", "address_bits"]
        for key, part in bad.partition_by(keys, as_dict=True, maintain_order=True).items():
            source, bus, address, bits = key
            device = self._names.device(str(bus), int(address), int(bits))
            if device in self._others or self._device not in (None, device):
                continue
            times: Ints = part["start_ns"].to_numpy()
            self._tallies.setdefault((str(source), device), Tally()).add(np.sort(times))
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each target."""
        found = []
        for (source, device), tally in self._tallies.items():
            summary = (
                f"{device}: {counted(tally.count, 'transaction')} {_IN_WORDS['pec']}, "
                f"first at {self._words.at(tally.first_ns)}"
            )
            evidence = {"device": device, "problem": "pec", **tally.evidence()}
            party = self._names.party(device)
            found.append(
                Finding(
                    tally.first_ns, "check-code", self._severity, party, source, summary, evidence
                )
            )
        return found
