"""What MQTT connections on the network did that they should not, one finding a kind and source."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import polars as pl

from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.names import Names
from console.watch.rule import Batch, Words
from decoders.messages.mqtt_happenings import Happening


class _Trouble(NamedTuple):
    words: str
    severity: Severity


# What stands in `happenings` of a network capture, and what it means.
TROUBLES = {
    Happening.DUEL: _Trouble(
        "two connections take one client identifier from each other, so neither stays connected",
        "fault",
    ),
    Happening.KEEP_ALIVE: _Trouble("a client fell silent for longer than its keep alive", "fault"),
    Happening.MALFORMED: _Trouble("MQTT packets that break the standard", "warning"),
    Happening.VIOLATION: _Trouble("MQTT packets that may not come then", "warning"),
    Happening.REFUSED: _Trouble("the broker refused a connection", "warning"),
    Happening.HALF_HANDSHAKE: _Trouble("handshakes that were not completed", "warning"),
    Happening.REFUSED_MESSAGE: _Trouble("what a client asked for was refused", "warning"),
    Happening.DROPPED: _Trouble("connections that ended without a DISCONNECT", "note"),
}
_MOST_CLIENTS = 8  # named in the evidence


@dataclass(slots=True)
class _Found:
    """Rows of one kind and source."""

    first: str  # what the first of them says
    tally: Tally = field(default_factory=Tally)
    details: dict[str, None] = field(default_factory=dict)


class ConnectionTroubles:
    """A fold to the happenings of connections that should not be.

    Args:
        names: who is who.
    """

    def __init__(self, names: Names) -> None:
        self._names = names
        self._words = Words(0)
        self._found: dict[tuple[str, str], _Found] = {}  # by source and what

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        rows = batch.table("happenings")
        if not rows.height:
            return []
        rows = rows.filter(pl.col("what").is_in([str(what) for what in TROUBLES]))
        for (source, what), part in rows.partition_by(
            ["source", "what"], as_dict=True, maintain_order=True
        ).items():
            details = part["detail"].fill_null("").to_list()
            found = self._found.setdefault((str(source), str(what)), _Found(details[0]))
            found.tally.add(part["t_ns"].to_numpy())
            for detail in details[: max(_MOST_CLIENTS - len(found.details), 0)]:
                found.details[detail] = None
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding for each kind and source."""
        return [self._finding(*key, found) for key, found in self._found.items()]

    def _finding(self, source: str, what: str, found: _Found) -> Finding:
        trouble, tally = TROUBLES[Happening(what)], found.tally
        when = f"at {self._words.at(tally.first_ns)}"
        if tally.count > 1:
            when = f"{counted(tally.count, 'time')}, first {when}"
        summary = f"{source}: {trouble.words}, {when}: {found.first}"
        evidence = {"what": what, "details": list(found.details), **tally.evidence()}
        party = self._names.party(source)
        rule = f"mqtt-{what}"
        return Finding(tally.first_ns, rule, trouble.severity, party, source, summary, evidence)
