"""Findings that the user has seen and said so."""

from __future__ import annotations

import json

from console.app.state.kept import Kept
from console.watch.findings import Finding


def key_of(finding: Finding) -> str:
    """What a finding is known by in the state that is kept: rule, party and words, as JSON."""
    return json.dumps([finding.rule, finding.party, finding.summary], ensure_ascii=True)


def note_of(kept: Kept, finding: Finding) -> str | None:
    """The note it was acknowledged with, perhaps empty; None where it was not."""
    return kept.acknowledged.get(key_of(finding))
