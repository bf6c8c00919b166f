"""The catalogue as a table."""

from __future__ import annotations

from console.diagnosis.causes.catalogue import BY_SLUG, CAUSES


def test_slugs_and_titles_are_unique() -> None:
    assert len(BY_SLUG) == len(CAUSES) == len({cause.title for cause in CAUSES})


def test_every_cause_has_what_a_reader_needs() -> None:
    assert [c.slug for c in CAUSES if not (c.faces and c.prior > 0 and c.source)] == []
