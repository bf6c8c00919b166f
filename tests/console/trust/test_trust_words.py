"""A row of the trust sheet in words."""

from __future__ import annotations

from typing import get_args

import pytest

from console.pipeline.evidence import SourceKind
from console.trust.sheet import KINDS
from console.trust.trust_words import follows_words, proves_words, span_words, value_words

S = 10**9


@pytest.mark.parametrize(
    ("from_ns", "until_ns", "expected"),
    [
        (61 * S, 62 * S, "01:01.000 to 01:02.000"),
        (61 * S, 61 * S, "at 01:01.000"),
        (61 * S, None, "01:01.000 to the end"),
        (None, 61 * S, "to 01:01.000"),
        (None, None, ""),
    ],
)
def test_a_span_is_said_from_the_start_of_the_run(
    from_ns: int | None, until_ns: int | None, expected: str
) -> None:
    begin, end = (None if t is None else t + 5 * S for t in (from_ns, until_ns))
    assert span_words(begin, end, 5 * S) == expected


def test_digits_of_a_span_are_cut_to_what_is_known() -> None:
    assert span_words(309_908_867, 2 * S, 0, 100_000_000) == "00:00.3 to 00:02.0"


@pytest.mark.parametrize(
    ("value", "limit", "unit", "expected"),
    [
        (250.0, 2_000.0, "ns", "250 ns, limit 2 us"),
        (2_125.296823, None, "s", "35.4 min"),
        (3.0, 0.0, "ns", "3 ns"),
        (2.0, None, "messages", "2 messages"),
        (1.0, None, "messages", "1 message"),
        (1e300, None, "ns", "1e+300 ns"),
        (None, 5.0, "ns", ""),
    ],
)
def test_a_value_is_said_beside_its_limit(
    value: float | None, limit: float | None, unit: str, expected: str
) -> None:
    assert value_words(value, limit, unit) == expected


@pytest.mark.parametrize("kind", KINDS)
def test_what_follows_is_said_of_every_kind_of_doubt(kind: str) -> None:
    assert follows_words(kind).endswith(".")


@pytest.mark.parametrize("kind", get_args(SourceKind))
def test_what_it_proves_and_what_not_is_said_of_every_kind_of_source(kind: str) -> None:
    assert all(proves_words(kind))
