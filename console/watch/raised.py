"""Which findings are new: one that lasts is found at every look, and told once."""

from __future__ import annotations

from collections.abc import Iterable

from console.watch.findings import Finding

# What tells two findings of one kind, party and time apart; the rest of the evidence grows.
_SAYS_WHICH = (
    "table", "where", "field", "side", "kind", "problem", "device", "address", "bus", "state",
    "period_ns", "request_table", "request_where", "reply_table", "reply_where", "within_ns",
)  # fmt: skip

Key = tuple[object, ...]


def key_of(finding: Finding) -> Key:
    """What stays the same of a finding while it lasts and is found again."""
    which = tuple(str(finding.evidence.get(name)) for name in _SAYS_WHICH)
    return finding.t_ns, finding.rule, finding.severity, finding.party, finding.source, *which


class Raising:
    """A fold over looks at what is found, to what was not there before."""

    def __init__(self) -> None:
        self._known: set[Key] = set()

    def new(self, found: Iterable[Finding]) -> list[Finding]:
        """Those that no look before had."""
        fresh = []
        for finding in found:
            key = key_of(finding)
            if key not in self._known:
                self._known.add(key)
                fresh.append(finding)
        return fresh
