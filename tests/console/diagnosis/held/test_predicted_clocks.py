"""Predicted clocks beside those the simulator counted, for a cut at every bit.

The prediction sees the wire up to the first clock of the recovery. It is a range, exact where the
bits to come are determined; given the bits the simulated target holds it is one number, and that
must be the one counted, in every cut. UM10204 section 3.1.16 promises nine clocks at most.
"""

from __future__ import annotations

from functools import cache
from itertools import chain

import pytest

from captures_demo.simulator.cuts import STOP_IN_EACH, Cut, Recovery, Transfer, played
from captures_demo.simulator.dice import Dice
from console.diagnosis.held.clocks import bits_to_come, clocks_to_free, clocks_with
from console.diagnosis.held.standing import Standing
from tests.console.diagnosis.held.cut_wires import ADDRESS, bits_to_send, seen

_DICE = Dice(26, "cut at every bit")
DATA = (
    bytes(3),
    b"\xff" * 3,
    *(bytes(_DICE.below(256) for _ in range(4)) for _ in range(3)),
)
TRANSFERS = [
    *(Transfer(ADDRESS, read=True, data=data) for data in DATA),
    *(Transfer(ADDRESS, read=True, data=data, request=b"\x10") for data in DATA),
    *(Transfer(ADDRESS, read=False, data=data) for data in DATA),
    Transfer(0x2A5, read=False, data=DATA[0], ten_bit=True),
    Transfer(0x2A5, read=False, data=DATA[2], ten_bit=True),
]


def named(transfer: Transfer) -> str:
    way = ("read" if transfer.read else "write") + ("-after-write" if transfer.request else "")
    return f"{way}-{transfer.data.hex()}-{transfer.address:x}"


@cache
def standing_before_recovery(transfer: Transfer, cut: Cut) -> tuple[Standing | None, int]:
    """Where SDA is held, seen before anything is done about it, and the clocks then counted."""
    run = played(transfer, cut)
    held = seen(run, until_ns=run.truth.recovery_ns).held()
    assert bool(held) == run.truth.held
    return (held[0].standing if held else None), run.truth.clocks_needed


@pytest.mark.parametrize("at_high", [False, True], ids=["scl-low", "scl-high"])
@pytest.mark.parametrize("transfer", TRANSFERS, ids=named)
def test_predicted_clocks_are_those_counted_at_every_bit(transfer: Transfer, at_high: bool) -> None:
    predicted, counted, outside = [], [], []
    for clocks in range(len(transfer.pulls)):
        standing, needed = standing_before_recovery(transfer, Cut(clocks, at_high))
        counted.append(needed)
        if standing is None:
            predicted.append(0)
            continue
        span = clocks_to_free(standing)
        assert span is not None
        predicted.append(clocks_with(standing, bits_to_send(transfer, clocks)))
        outside += [clocks] * (not span.least <= needed <= span.most)
    assert predicted == counted
    assert outside == []


@pytest.mark.parametrize("transfer", TRANSFERS, ids=named)
def test_where_it_was_cut_is_told_to_the_bit(transfer: Transfer) -> None:
    told, done = [], []
    for clocks in range(len(transfer.pulls)):
        standing, _ = standing_before_recovery(transfer, Cut(clocks))
        if standing is not None:
            told.append((9 * standing.byte + standing.slot, standing.address, standing.read))
            done.append((clocks, *_known_by_then(transfer, clocks)))
            assert standing.turn == "target"
    assert told == done
    assert len(told) >= 1


def _known_by_then(transfer: Transfer, clocks: int) -> tuple[int | None, bool]:
    is_whole = clocks >= 17 or not transfer.ten_bit
    return transfer.address if is_whole else None, transfer.read


@pytest.mark.parametrize("rate_hz", [1_000_000, 400_000])
def test_four_samples_a_clock_are_enough(rate_hz: int) -> None:
    transfer = TRANSFERS[2]
    told, counted = [], []
    for clocks in range(8, len(transfer.pulls)):
        run = played(transfer, Cut(clocks))
        if run.truth.held:
            (held,) = seen(run, rate_hz=rate_hz).held()
            assert held.standing is not None
            told.append(clocks_with(held.standing, bits_to_send(transfer, clocks)))
            counted.append(run.truth.clocks_needed)
    assert told == counted
    assert len(told) > 4


def places() -> list[tuple[int, int, bytes]]:
    """Cuts of a read at each of its bits, and each number of clocks, with the byte for it."""
    found = []
    for slot in range(-1, 8):  # -1: in the acknowledge of the address
        bits = 7 - slot
        for clocks in range(1, bits + 2):
            rest = "0" * (clocks - 1) + "1" * (bits - clocks + 1)
            whole = "1" * slot + "0" * (slot >= 0) + rest
            found.append((9 + slot, clocks, bytes([int(whole, 2)])))
    return found


def test_every_number_of_the_range_is_reached_with_some_byte() -> None:
    reached: dict[int, set[int]] = {}
    spans: dict[int, set[int]] = {}
    for at, wanted, data in places():
        standing, needed = standing_before_recovery(Transfer(ADDRESS, True, data), Cut(at))
        assert needed == wanted
        assert standing is not None
        span = clocks_to_free(standing)
        assert span is not None
        reached.setdefault(at, set()).add(needed)
        spans[at] = set(range(span.least, span.most + 1))
    assert reached == spans
    assert max(chain(*reached.values())) == 9


def test_a_stop_can_be_made_in_the_very_clock_that_frees_sda() -> None:
    for transfer in TRANSFERS[2:13:5]:  # random data: a read, one after a write, a write
        runs = [played(transfer, Cut(at), STOP_IN_EACH) for at in range(len(transfer.pulls))]
        truths = [run.truth for run in runs if run.truth.held]
        assert [truth.clocks_given for truth in truths] == [(t.clocks_needed,) for t in truths]
        assert all(truth.freed and not truth.written for truth in truths)


def test_a_stop_in_the_clock_after_it_may_meet_a_zero() -> None:
    # 0101 0101: each clock that frees SDA is followed by a 0
    truth = played(Transfer(ADDRESS, True, b"\x55"), Cut(9), Recovery(clocks=2)).truth
    assert (truth.clocks_needed, truth.freed) == (1, False)


@pytest.mark.parametrize("bits", [[], [1], [0] * 8])
def test_the_bits_to_come_must_be_as_many_as_there_are(bits: list[int]) -> None:
    standing, _ = standing_before_recovery(Transfer(ADDRESS, True, b"\x00"), Cut(11))
    assert standing is not None
    assert bits_to_come(standing) == 5
    with pytest.raises(ValueError, match="5 bits are still to come"):
        clocks_with(standing, bits)
