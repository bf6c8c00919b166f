"""Evidence in words."""

from __future__ import annotations

from typing import Any

import pytest

from console.watch.evidence_words import band_of, count_of, evidence_words, last_of, times_of
from console.watch.findings import Finding

S = 10**9


def finding(**evidence: Any) -> Finding:
    return Finding(3 * S, "limits", "warning", "press", "wire", "press above 3", evidence)


@pytest.mark.parametrize(
    ("evidence", "expected"),
    [
        ({"address": 0x2E}, ("address", "0x2E")),
        ({"addresses": [8, 0x50]}, ("addresses", "0x08, 0x50")),
        ({"how": "address-nack"}, ("how", "address not acknowledged")),
        ({"how": "of another make"}, ("how", "of another make")),
        ({"polls_answered": 2047}, ("polls answered", "2,047")),
        ({"elapsed_s": 2048.9}, ("answered for", "34.1 min")),
        ({"within_ns": 2 * S}, ("allowed", "2 s")),
        ({"last_good_ns": 61 * S}, ("last good", "01:00.000")),
        ({"packets": {"blocks": 4}}, ("packets", "blocks 4")),
        ({"max": 319}, ("at most", "319")),
        ({"lowest": 0.5}, ("lowest", "0.5")),
        ({"over": True}, ("over", "yes")),
        ({"of": 40}, ("of", "40")),
        ({"doubt": ["lost", "damaged"]}, ("in doubt", "lost, damaged")),
        ({"list": list(range(14))}, ("list", "0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11 and 2 more")),
    ],
)
def test_each_thing_is_said_with_a_label(
    evidence: dict[str, Any], expected: tuple[str, str]
) -> None:
    assert list(evidence_words(finding(**evidence), S)) == [expected]


def test_a_count_is_said_beside_what_it_is_out_of() -> None:
    assert list(evidence_words(finding(of=796, count=2), S)) == [("count", "2 of 796")]


def test_times_are_said_to_the_digits_their_band_allows() -> None:
    got = list(evidence_words(finding(first_ns=2 * S + 1_234_567, band_ns=4_523_795), S))
    assert got == [("first", "00:01.001"), ("time known within", "4.52 ms")]


def test_what_is_not_known_is_left_out() -> None:
    assert list(evidence_words(finding(recovered_ns=None, where="", times_ns=[1]), S)) == []


def test_a_finding_leads_to_the_times_it_kept_or_to_where_it_begins() -> None:
    assert times_of(finding(times_ns=[4, 5])) == [4, 5]
    assert times_of(finding()) == [3 * S]


def test_a_finding_without_a_count_stands_for_one_event_at_its_time() -> None:
    assert (count_of(finding()), last_of(finding())) == (1, 3 * S)


def test_no_more_digits_than_microseconds_are_said() -> None:
    assert (band_of(finding(band_ns=0)), band_of(finding())) == (1_000, None)
