"""Every kind of faulty reply is found and named; healthy ones are left alone."""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
import pytest

from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.faults import FAULTS, SCHEMA, reply_faults
from decoders.checkcodes import check_code
from tests.console.diagnosis.replies.streams import (
    CASES,
    CRC8,
    HEALTHY,
    Case,
    Spoiled,
    replies_from,
    with_crc,
)

LENGTH = 2_000
SEEDS = 2


@cache
def spoiled(fault: str, mutator: str, stream: str, seed: int) -> tuple[Spoiled, pl.DataFrame]:
    case = next(c for c in CASES if (c.fault, c.mutator.__name__) == (fault, mutator))
    rng = np.random.default_rng(1_000 + seed)
    found = case.mutator(rng, HEALTHY[stream](rng, LENGTH))
    return found, reply_faults(found.replies)


def told(case: Case) -> list[tuple[Spoiled, pl.DataFrame]]:
    return [
        spoiled(case.fault, case.mutator.__name__, stream, seed)
        for stream in case.streams
        for seed in range(SEEDS)
    ]


def ids(case: Case) -> str:
    return f"{case.fault}-{case.mutator.__name__}"


@pytest.mark.parametrize("case", CASES, ids=ids)
def test_of_a_hundred_faulty_replies_ninety_eight_are_found(case: Case) -> None:
    found = [np.isin(np.flatnonzero(s.truth), f["row"].to_numpy()) for s, f in told(case)]
    assert np.concatenate(found).mean() >= 0.98


@pytest.mark.parametrize("case", CASES, ids=ids)
def test_they_are_called_by_their_name(case: Case) -> None:
    names = [f.filter(pl.col("row").is_in(np.flatnonzero(s.truth)))["fault"] for s, f in told(case)]
    assert (pl.concat(names) == case.fault).mean() >= 0.9  # type: ignore[operator]


@pytest.mark.parametrize("case", CASES, ids=ids)
def test_healthy_replies_beside_them_are_left_alone(case: Case) -> None:
    wrong = [
        np.isin(f["row"].to_numpy(), np.flatnonzero(~s.truth & ~s.either)).sum()
        for s, f in told(case)
    ]
    assert sum(wrong) <= 1e-3 * LENGTH * len(wrong)


@pytest.mark.parametrize("stream", HEALTHY)
def test_a_healthy_stream_has_no_faulty_reply(stream: str) -> None:
    found = [reply_faults(HEALTHY[stream](np.random.default_rng(seed), LENGTH)) for seed in (1, 2)]
    assert [len(each) for each in found] == [0, 0]


def test_no_replies_at_all_have_no_fault() -> None:
    found = reply_faults(replies_from(np.empty((0, 4), np.uint8)))
    assert (len(found), dict(found.schema)) == (0, SCHEMA)


def test_a_few_replies_teach_nothing() -> None:
    few = np.random.default_rng(0).integers(0, 256, (10, 4), np.uint8)
    assert len(reply_faults(replies_from(few))) == 0


def test_rows_come_in_time_order_with_their_times() -> None:
    case = CASES[0]
    _, found = told(case)[0]
    assert found["t_ns"].is_sorted()
    assert (found["t_ns"] == found["row"] * 1_000_000).all()


def test_confidence_is_a_share_and_every_word_is_described() -> None:
    found = pl.concat(f for case in CASES for _, f in told(case))
    assert found["confidence"].is_between(0.5, 1).all()
    assert set(found["fault"]) <= set(FAULTS)


def filler_among(check: bytes) -> pl.DataFrame:
    """Noisy words with a CRC each, and one reply of FF with these check bytes."""
    rng = np.random.default_rng(4)
    data = with_crc(rng.normal(26_000, 30, (300, 2)).astype(">u2").view(np.uint8))
    data[150] = np.frombuffer((b"\xff\xff" + check) * 2, np.uint8)
    formula = Formula(check_code("CRC-8/NRSC-5"), words=2)
    return reply_faults(replies_from(data), formula)


def test_filler_with_a_wrong_check_code_is_a_released_line() -> None:
    found = filler_among(b"\xff")
    assert found["fault"].to_list() == ["filler"]
    assert "nobody drove the line" in found["words"][0]


def test_all_ones_with_the_right_check_code_are_said_by_the_target() -> None:
    right = bytes([CRC8.of(b"\xff\xff")])
    found = filler_among(right)
    assert right == b"\xac"
    assert found["fault"].to_list() == ["filler"]
    assert "the target says so" in found["words"][0]


def test_a_target_that_was_never_written_says_ff_and_is_left_alone() -> None:
    assert len(reply_faults(replies_from(np.full((5_000, 2), 0xFF, np.uint8)))) == 0


def test_a_pad_that_says_ff_unless_it_is_touched_is_left_alone() -> None:
    data = HEALTHY["noisy"](np.random.default_rng(9), 4_000).data.copy()
    data[np.arange(4_000) // 300 % 4 != 1] = 0xFF
    assert len(reply_faults(replies_from(data))) == 0


def test_filler_for_most_of_a_run_after_content_is_told() -> None:
    data = HEALTHY["noisy"](np.random.default_rng(9), 4_000).data.copy()
    data[400:] = 0xFF
    found = reply_faults(replies_from(data))
    assert set(found["fault"]) == {"filler"}
    assert len(found) >= 0.98 * 3_600


def test_filler_from_the_start_that_fails_its_check_code_is_told() -> None:
    level = np.random.default_rng(9).normal(20_000, 50, 2_000).astype(">u2")
    data = with_crc(level.view(np.uint8).reshape(-1, 2))
    data[np.arange(2_000) // 300 % 2 == 0] = 0xFF
    found = reply_faults(replies_from(data), Formula(CRC8))
    assert set(found["fault"]) == {"filler"}


def test_a_leftover_says_by_how_many_bytes() -> None:
    rng = np.random.default_rng(5)
    data = HEALTHY["text"](rng, 400).data.copy()
    data[200] = np.concatenate([data[199, -3:], data[200, :-3]])
    found = reply_faults(replies_from(data))
    assert found["words"].to_list() == ["begins with the last 3 of the reply before"]


def test_a_block_cut_at_32_bytes_says_so() -> None:
    data = HEALTHY["long_block"](np.random.default_rng(6), 400).data.copy()
    data[200:, 32:] = 0xFF
    found = reply_faults(replies_from(data))
    assert found["row"].to_list() == list(range(200, 400))
    assert found["words"][0] == "FF from byte 32 on"


def test_faults_of_a_target_that_often_jumps_by_itself_are_not_guessed() -> None:
    replies = HEALTHY["plateaus"](np.random.default_rng(3), 1_000)
    data = replies.data.copy()
    data[500, :2] = data[500, 1::-1]
    assert len(reply_faults(replies_from(data))) == 0


def test_a_counter_says_by_how_much_it_jumped() -> None:
    data = HEALTHY["counter"](np.random.default_rng(7), 400).data.copy()
    data[200:, 0] += 3
    found = reply_faults(replies_from(data))
    assert found["words"].to_list() == ["byte 0 counted +3 beside its step"]


def test_a_reply_that_carries_the_request_before_is_stale() -> None:
    rng = np.random.default_rng(8)
    asked = rng.integers(0, 30, (600, 1), np.uint8)
    data = np.concatenate([asked, rng.integers(0, 256, (600, 3), np.uint8)], axis=1)
    data[300, 0] = asked[299, 0] if asked[299, 0] != asked[300, 0] else asked[300, 0] ^ 1
    found = reply_faults(replies_from(data), asked=asked)
    assert found["fault"].to_list() == ["stale"]
