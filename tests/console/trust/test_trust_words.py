"""A row of the trust sheet in words."""

from __future__ import annotations

import pytest

from console.trust.trust_words import span_words, value_words

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


@pytest.mark.parametrize(
    ("value", "limit", "unit", "expected"),
    [
        (250.0, 2_000.0, "ns", "250 of 2,000 ns"),
        (2125.296823, None, "s", "2,125 s"),
        (0.25, None, "", "0.25"),
        (1e300, None, "ns", "1e+300 ns"),
        (None, 5.0, "ns", ""),
    ],
)
def test_a_value_is_said_beside_its_limit(
    value: float | None, limit: float | None, unit: str, expected: str
) -> None:
    assert value_words(value, limit, unit) == expected
