"""A check code's formula is found from frames that carry it, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from console.diagnosis.replies.check_code_search import search
from console.diagnosis.replies.check_formula import Formula
from decoders.checkcodes import CheckCode, check_code

FRAMES = 50


def frames_of(
    code: CheckCode, *, skipped: int = 0, before: bytes = b"", big: bool = True, bad: int = 0
) -> list[bytes]:
    """Fifty random frames of three lengths; of some the code is wrong."""
    rng = np.random.default_rng(code.width_bits + skipped)
    found = []
    for k in range(FRAMES):
        message = rng.bytes((6, 9, 13)[k % 3])
        value = code.of(before + message[skipped:]) ^ (0x5A if k < bad else 0)
        found.append(message + value.to_bytes(code.width_bytes, "big" if big else "little"))
    return found


# Catalogue of parametrised CRC algorithms, names with their parameters.
@pytest.mark.parametrize(
    ("name", "big"),
    [
        ("CRC-8/SMBUS", True),
        ("CRC-8/NRSC-5", True),
        ("CRC-16/MODBUS", False),
        ("CRC-16/IBM-3740", True),
        ("CRC-32/ISO-HDLC", False),
        ("sum8", True),
        ("xor", True),
        ("fletcher16", True),
    ],
)
def test_a_catalogued_code_is_found_by_its_name(name: str, big: bool) -> None:
    code = check_code(name)
    best = search(frames_of(code, big=big))[0]
    assert best.formula == Formula(code, big=big)
    assert (best.fits, best.of) == (FRAMES, FRAMES)


def test_bytes_that_are_not_covered_are_told() -> None:
    code = check_code("CRC-16/MODBUS")
    assert search(frames_of(code, skipped=2))[0].formula == Formula(code, skipped=2)


def test_the_address_byte_that_is_covered_is_told() -> None:
    code = check_code("PEC")
    before = bytes([0x5A << 1 | 1])
    found = search(frames_of(code, before=before), [before])
    assert Formula(code, before=before) in [hit.formula for hit in found]


@pytest.mark.parametrize(
    ("width", "poly", "init", "reflected", "xorout"),
    [
        (8, 0x4D, 0x37, False, 0x00),
        (8, 0x8D, 0xFF, True, 0xA5),
        (16, 0xA2EB, 0x1D0F, False, 0x0000),
        (16, 0x5935, 0xBEEF, True, 0xFFFF),
    ],
)
def test_parameters_that_no_catalogue_has_are_found(
    width: int, poly: int, init: int, reflected: bool, xorout: int
) -> None:
    code = check_code(
        width=width, poly=poly, init=init, refin=reflected, refout=reflected, xorout=xorout
    )
    best = search(frames_of(code))[0].formula
    assert best.code.name == (
        f"CRC-{width} poly {poly:0{width // 4}X} init {init:0{width // 4}X}"
        f"{' reflected' if reflected else ''} xorout {xorout:0{width // 4}X}"
    )
    assert (best.skipped, best.big) == (0, True)


def test_a_quarter_of_wrong_codes_does_not_hide_the_formula() -> None:
    code = check_code(width=8, poly=0x4D, init=0x37)
    best = search(frames_of(code, bad=12))[0]
    assert best.formula.code.of(b"cap line") == code.of(b"cap line")
    assert best.fits == FRAMES - 12


def test_a_code_behind_each_word_is_found() -> None:
    code = check_code("CRC-8/NRSC-5")
    rng = np.random.default_rng(3)
    frames = []
    for _ in range(FRAMES):
        pairs = [rng.bytes(2) for _ in range(3)]
        frames.append(b"".join(pair + bytes([code.of(pair)]) for pair in pairs))
    assert search(frames)[0].formula == Formula(code, words=2)


@pytest.mark.parametrize("seed", range(5))
def test_random_frames_carry_no_code(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    assert search([rng.bytes((7, 10, 15)[k % 3]) for k in range(FRAMES)]) == []


def test_frames_that_are_always_the_same_tell_nothing() -> None:
    assert search([b"\x02\x01\x69"] * 500) == []
