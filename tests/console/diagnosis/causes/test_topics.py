"""Topics as columns: which member counts their messages, and where it left numbers out."""

from __future__ import annotations

from collections.abc import Sequence

from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.causes.sizes import size_edge
from console.diagnosis.causes.topics import topics_of
from tests.console.diagnosis.causes.hands import S, run_of


def counted(numbers: Sequence[int | str]) -> list[int] | None:
    """What the counter of a topic with these numbers holds."""
    sent: list[dict[str, object]] = [
        {"t_ns": k * S, "topic": "line/hopper/state", "payload": f'{{"n":{number}}}'}
        for k, number in enumerate(numbers)
    ]
    column = topics_of(run_of([], sent, 40 * S))[0].counter
    return None if column is None else column.tolist()


def test_numbers_of_more_than_63_bits_count_no_messages() -> None:
    assert counted([2**63 + k for k in range(20)]) is None


def test_number_of_more_than_63_bits_among_counts_is_a_missing_one() -> None:
    assert counted([*range(6), 2**70, *range(7, 12)]) == [*range(6), -1, *range(7, 12)]


def test_printed_length_that_no_packet_has_is_no_length() -> None:
    sent: list[dict[str, object]] = [
        {"t_ns": k * S, "topic": "line/hopper/state", "payload": f'{{"n":{k}}}'} for k in range(20)
    ]
    prints = [(k * S, f"net: sent n {k} len {10**30 + k}") for k in range(20)]
    assert size_edge(RunFacts(run_of(prints, sent, 20 * S))) is None
