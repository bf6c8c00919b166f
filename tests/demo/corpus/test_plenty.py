"""Much healthy traffic as columns, beside what the simulated wires give."""

from __future__ import annotations

import numpy as np
import pytest

from captures_demo.simulator.corpus import Maker
from captures_demo.simulator.corpus.plenty import plenty
from captures_demo.simulator.corpus.works import Works
from captures_demo.simulator.devices import pec


def healthy(_: Works) -> None:
    """Nothing is set up, nothing goes wrong."""


@pytest.mark.parametrize("variant", [0, 1])
def test_shapes_are_those_of_the_same_bench_on_simulated_wires(variant: int) -> None:
    columns = plenty(5_000, variant=variant)
    run = Maker("healthy", healthy)(variant, healthy=True).run
    shapes = zip(
        columns.address.tolist(),
        columns.read.tolist(),
        columns.acks.tolist(),
        columns.started_by.tolist(),
        columns.ended_by.tolist(),
        strict=True,
    )
    assert set(shapes) == {
        (row.address, row.read, row.acks, row.started_by, row.ended_by)
        for row in run.truth.transactions
    }
    apart_ns = [row.end_ns - row.start_ns for row in run.truth.transactions[:2]]
    made_ns = (columns.end_ns[:2] - columns.start_ns[:2]).tolist()
    assert made_ns == pytest.approx(apart_ns, rel=0.1)


def test_transactions_are_in_order_and_never_overlap() -> None:
    columns = plenty(50_000)
    assert (np.diff(columns.start_ns) > 0).all()
    assert (columns.start_ns[1:] >= columns.end_ns[:-1]).all()
    assert abs(len(columns) - 50_000) < 10


@pytest.mark.parametrize("variant", range(4))
def test_replies_hold_count_value_and_a_right_check_byte(variant: int) -> None:
    columns = plenty(2_000, variant=variant)
    apart = columns.ended_by[0] == "stop"
    for row in range(1, len(columns), 2):
        part, data = columns.parts[columns.part[row]], bytes.fromhex(columns.data[row])
        order = "little" if part.order == "little" else "big"
        words = int.from_bytes(data[:2], order), int.from_bytes(data[2:4], order)  # type: ignore[arg-type]
        assert words == (columns.count[row], columns.value[row])
        head = b"" if apart else bytes([part.address << 1, part.register])
        code = [pec(head + bytes([part.address << 1 | 1]) + data[:4])] if part.pec else []
        assert list(data[4:]) == code


def test_no_value_stands_still_and_counts_rise_by_one() -> None:
    columns = plenty(100_000, variant=2)
    for part in range(len(columns.parts)):
        mine = columns.read & (columns.part == part)
        assert set((np.diff(columns.count[mine]) & 0xFFFF).tolist()) == {1}
        same = np.diff(columns.value[mine]) == 0
        assert same.mean() < 0.05


def test_too_few_are_refused() -> None:
    with pytest.raises(ValueError, match="3 transactions are less than a poll of each part"):
        plenty(3)
