"""A source in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.pipeline.evidence import SourceReport
from console.pipeline.source_words import coarse_ns, source_span, unit_of

LOG = SourceReport("log", "prints", ["log.txt"], 2, 10**9, 61 * 10**9, [], None, [])


@pytest.mark.parametrize(
    ("span_ns", "expected"),
    [(2 * 10**12, 100_000_000), (10**9, 1_000_000), (10**6, 1_000), (999_999, 1)],
)
def test_ends_of_a_long_run_are_said_to_fewer_digits(span_ns: int, expected: int) -> None:
    assert coarse_ns(span_ns) == expected


def test_events_are_called_what_they_are() -> None:
    one = replace(LOG, events=1)
    got = [unit_of(LOG), unit_of(one), unit_of(replace(one, kind="capture"))]
    assert got == ["lines", "line", "edge"]


def test_first_and_last_event_are_said_since_the_start_of_the_run() -> None:
    assert source_span(LOG, 10**9, 100_000_000) == "00:00.0 to 01:00.0"


def test_a_source_that_held_nothing_has_no_span() -> None:
    assert source_span(replace(LOG, first_ns=None, last_ns=None), 0, 1) == ""
