"""Failing check codes: which of noise, a released line, stale content and a wrong formula it is."""

from __future__ import annotations

import numpy as np
import pytest

from console.diagnosis.replies.check_code_verdict import (
    BIT,
    EITHER,
    FORMULA,
    NOISE,
    NONE,
    RELEASED,
    REPEATED,
    RIGHT,
    SAID,
    STALE,
    Explained,
    explained,
    mended,
    verdict,
)  # fmt: skip
from console.diagnosis.replies.check_formula import Formula
from decoders.checkcodes import check_code

# CRC-8, polynomial 31, initial value FF: check value F7 over "123456789" (Catalogue of
# parametrised CRC algorithms, CRC-8/NRSC-5).
CODE = check_code(width=8, poly=0x31, init=0xFF)
WORD = Formula(CODE)


def frames(seed: int = 0, n: int = 60, length: int = 4) -> list[bytes]:
    rng = np.random.default_rng(seed)
    messages = [bytes(rng.integers(0, 0xF0, length, np.uint8)) for _ in range(n)]
    return [message + bytes([CODE.of(message)]) for message in messages]


def test_the_code_is_the_one_that_is_meant() -> None:
    assert CODE.of(b"123456789") == 0xF7


# Three reports that all said "CRC error", worked through by hand with the code above.
def test_a_version_with_ff_in_it_lost_that_byte_on_a_released_line() -> None:
    found = explained(bytes.fromhex("02 FF 69"), WORD)
    assert found == Explained(RELEASED, bytes.fromhex("02 01 69"), 1)


def test_ac_computed_and_ff_received_is_nobody_driving_the_line() -> None:
    assert CODE.of(b"\xff\xff") == 0xAC
    assert explained(bytes.fromhex("FF FF FF"), WORD) == Explained(RELEASED)


def test_ff_ff_with_a_right_code_is_what_the_target_says() -> None:
    assert explained(bytes.fromhex("FF FF AC"), WORD) == Explained(SAID)


def test_a_whole_frame_is_right() -> None:
    assert explained(frames()[0], WORD) == Explained(RIGHT)


def test_the_code_of_the_payload_before_is_stale() -> None:
    first, second = frames()[:2]
    assert explained(second[:-1] + first[-1:], WORD, first) == Explained(STALE)


def test_one_bit_beside_the_frame_before_is_stale_or_flipped() -> None:
    first = frames()[0]
    broken = bytes([first[0], first[1] ^ 0x04]) + first[2:]
    assert explained(broken, WORD, first) == Explained(EITHER, first, 1)


def test_a_word_with_the_code_of_the_word_there_before_is_stale() -> None:
    formula = Formula(CODE, words=2)
    first, second = (
        b"".join(word + bytes([CODE.of(word)]) for word in words)
        for words in ([b"\x11\x22", b"\x33\x44"], [b"\x55\x66", b"\x33\x47"])
    )
    assert explained(second[:2] + first[2:3] + second[3:], formula, first) == Explained(STALE)


def test_a_flipped_bit_is_mended_where_it_was() -> None:
    frame = frames(length=2)[0]
    broken = bytes([frame[0] ^ 0x10]) + frame[1:]
    assert explained(broken, WORD) == Explained(BIT, frame, 0)


def test_every_frame_that_one_byte_mends_has_a_right_code_and_the_sent_one_is_there() -> None:
    frame = frames()[0]
    broken = frame[:2] + bytes([frame[2] ^ 0x3C]) + frame[3:]
    found = mended(broken, WORD)
    assert frame in found
    assert WORD.fits(np.array([list(each) for each in found], np.uint8)).all()
    assert {sum(a != b for a, b in zip(each, broken, strict=True)) for each in found} == {1}


def flipped(good: list[bytes]) -> list[bytes]:
    rng = np.random.default_rng(9)
    found = []
    for k, frame in enumerate(good):
        bits = bytearray(frame)
        if k % 3 == 0:
            bits[rng.integers(len(bits))] ^= 1 << int(rng.integers(8))
        found.append(bytes(bits))
    return found


def released(good: list[bytes]) -> list[bytes]:
    return [b"\xff" * len(f) if k % 4 == 0 else f for k, f in enumerate(good)]


def stale(good: list[bytes]) -> list[bytes]:
    return [f[:-1] + good[k - 1][-1:] if k % 4 == 1 else f for k, f in enumerate(good)]


def always_the_same(good: list[bytes]) -> list[bytes]:
    return [bytes.fromhex("11 22 33 44 55") if k % 6 == 0 else f for k, f in enumerate(good)]


def noise_all_over(good: list[bytes]) -> list[bytes]:
    rng = np.random.default_rng(10)
    return [rng.integers(0, 0xF0, 5, np.uint8).tobytes() if k % 3 == 0 else f
            for k, f in enumerate(good)]  # fmt: skip


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (flipped, NOISE),
        (released, RELEASED),
        (stale, STALE),
        (always_the_same, REPEATED),
        (noise_all_over, NONE),
    ],
)
def test_all_failing_frames_together_have_one_verdict(spoil, word: str) -> None:  # type: ignore[no-untyped-def]
    assert verdict(spoil(frames(1, 240)), WORD).word == word


def payload_flipped(good: list[bytes], tail: int = 1) -> list[bytes]:
    """Of every tenth frame one bit flipped, never in its last bytes."""
    rng = np.random.default_rng(11)
    found = []
    for k, frame in enumerate(good):
        bits = bytearray(frame)
        if k % 10 == 9:
            bits[rng.integers(len(bits) - tail)] ^= 1 << int(rng.integers(8))
        found.append(bytes(bits))
    return found


def test_flipped_bits_of_a_target_that_always_says_the_same_are_noise() -> None:
    found = verdict(payload_flipped([frames()[0]] * 300), WORD)
    assert (found.word, found.better) == (NOISE, None)


@pytest.mark.parametrize("status", [0, 91])
def test_flipped_bits_in_one_of_several_words_are_noise(status: int) -> None:
    words = [(divmod(k, 256), (7, k * 37 % 256), (0, k * status % 256)) for k in range(300)]
    good = [b"".join(bytes(w) + bytes([CODE.of(bytes(w))]) for w in each) for each in words]
    found = verdict(payload_flipped(good, tail=3), Formula(CODE, words=2))
    assert (found.word, found.better) == (NOISE, None)


def test_frames_checked_by_another_code_tell_its_formula() -> None:
    found = verdict(frames(2), Formula(check_code("CRC-8/SMBUS")))
    assert found.word == FORMULA
    assert found.better is not None
    assert found.better.formula.code.name == "CRC-8/NRSC-5"


def test_one_command_whose_address_is_covered_too_has_the_wrong_coverage() -> None:
    pec, address = check_code("PEC"), bytes([0x4A << 1 | 1])
    rng = np.random.default_rng(5)
    messages = [rng.bytes(5 + k % 3) for k in range(60)]
    sent = [m + bytes([pec.of(address + m)]) for m in messages]
    found = verdict(sent, Formula(pec), [address])
    assert found.word == FORMULA
    assert found.better is not None
    assert found.better.formula.before == address


def test_frames_that_are_right_have_no_verdict_but_that() -> None:
    assert verdict(frames(3), WORD).word == RIGHT
