"""What is news about findings: each is told when it is first seen, and once more when it is over.

A silence is found at every look for as long as it lasts, and in the end is complete. Who watches
wants to hear of its beginning and of its end.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from console.pipeline.live import Step
from console.run.rows import Raised
from console.watch.findings import Finding
from console.watch.raised import Key, key_of


@dataclass(frozen=True, slots=True)
class Told:
    """What is news about a finding."""

    finding: Finding
    raised_ns: int  # when it was told
    is_over: bool = False  # it was told before, and now it is complete

    @property
    def stored(self) -> Raised:
        """As a run keeps it."""
        f = self.finding
        evidence = json.dumps(dict(f.evidence))
        return Raised(
            self.raised_ns, f.t_ns, f.rule, f.severity, f.party, f.source, f.summary, evidence
        )


class News:
    """A fold from steps of watching to what is news. Keeps what stands, and no more."""

    def __init__(self) -> None:
        self._standing: dict[Key, Finding] = {}

    def of(self, step: Step, now_ns: int) -> list[Told]:
        """Take the next step; what was raised comes first.

        A finding that stands no more is over: complete, or as it was last where nothing is left of
        it (nothing had come, and then it came).

        Args:
            step: of the fold.
            now_ns: when this is.
        """
        fresh = {key_of(finding) for finding in step.raised}
        complete = {key_of(finding): finding for finding in step.complete}
        standing = {key_of(finding): finding for finding in step.standing}
        over = [
            complete.get(key, last)
            for key, last in self._standing.items()
            if key not in standing and key not in fresh
        ]
        self._standing = standing
        told = [Told(finding, now_ns) for finding in step.raised]
        return told + [Told(finding, now_ns, is_over=True) for finding in over]
