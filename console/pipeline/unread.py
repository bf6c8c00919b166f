"""What may be said of a run of which some sources were not read."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from console.trust.sheet import TrustRow
from console.watch.findings import Finding

COMPARES = "reply-within"  # names one source, but may look for the replies in another


def unread_rows(unread: Iterable[str]) -> Iterator[TrustRow]:
    """Of each source that was not read: nothing of it was observed, at no time."""
    for name in unread:
        yield TrustRow(name, None, None, "stopped", "gap", "not read")


def findings_that_stand(findings: Iterable[Finding], unread: Collection[str]) -> list[Finding]:
    """The findings that the sources not read could not undo.

    Those about one source that was read. What a rule looked for in several sources, or in one it
    saw nothing of, may well be in what was not read.
    """
    if not unread:
        return list(findings)
    return [f for f in findings if f.source not in ("", *unread) and f.rule != COMPARES]
