"""Captures of I2C traffic as delimited text, written fast: what the delimited benchmark reads."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint8]

_PIECE = 1 << 18  # edges written at a time
_QUARTER_NS = 620  # a quarter of a clock of about 400 kHz


def transaction(data: list[int]) -> tuple[list[int], list[int]]:
    """Steps (ns) and level words (bit 0 SCL, bit 1 SDA) of START, bytes with ACK, STOP."""
    steps, words = [20_000], [1]  # START after a pause: SDA falls while SCL is high
    sda = 0

    def put(step: int, scl: int, level: int) -> None:
        nonlocal sda
        sda = level
        steps.append(step)
        words.append(scl | level << 1)

    put(_QUARTER_NS, 0, 0)
    for byte in data:
        for bit in [*(byte >> k & 1 for k in range(7, -1, -1)), 0]:
            if bit != sda:
                put(_QUARTER_NS, 0, bit)
            put(2 * _QUARTER_NS, 1, bit)
            put(_QUARTER_NS, 0, bit)
    if sda:
        put(_QUARTER_NS, 0, 0)
    put(2 * _QUARTER_NS, 1, 0)
    put(_QUARTER_NS, 1, 1)  # STOP: SDA rises while SCL is high
    return steps, words


def edges(count: int, start_ns: int, grain_ns: int) -> Iterator[tuple[Times, Words]]:
    """Pieces of `count` edges of I2C traffic from `start_ns`, times whole grains."""
    rng = np.random.default_rng(7)
    steps: list[int] = []
    words: list[int] = []
    for _ in range(400):
        more = transaction([0x54, *rng.integers(0, 256, int(rng.integers(1, 8))).tolist()])
        steps += more[0]
        words += more[1]
    cycle = len(steps)
    step_row, word_row = np.array(steps, np.int64), np.array(words, np.uint8)
    at, done = start_ns, 0
    while done < count:
        size = min(_PIECE, count - done)
        places = (done + np.arange(size)) % cycle
        jitter = rng.integers(0, 60, size)
        t = at + np.cumsum((step_row[places] + jitter) // grain_ns * grain_ns)
        at, done = int(t[-1]), done + size
        yield t, word_row[places]


def _digits(value: Times, width: int) -> Words:
    out = np.empty((len(value), width), np.uint8)
    rest = value.copy()
    for place in range(width - 1, -1, -1):
        rest, digit = np.divmod(rest, 10)
        out[:, place] = digit + 48
    return out


def fixed_rows(t: Times, words: Words) -> bytes:
    """Rows `s.nnnnnnnnn,scl,sda`, equally long but where a digit of the seconds is gained."""
    seconds = t // 10**9
    parts = []
    for width in range(1, 12):
        low = 0 if width == 1 else 10 ** (width - 1)
        chosen = slice(*np.searchsorted(seconds, [low, 10**width]).tolist())
        some = t[chosen]
        row = np.full((len(some), width + 15), ord(","), np.uint8)
        row[:, :width] = _digits(some // 10**9, width)
        row[:, width] = ord(".")
        row[:, width + 1 : width + 10] = _digits(some % 10**9, 9)
        row[:, width + 11] = 48 + (words[chosen] & 1)
        row[:, width + 13] = 48 + (words[chosen] >> 1)
        row[:, width + 14] = 10
        parts.append(row.tobytes())
    return b"".join(parts)


def short_rows(t: Times, words: Words) -> bytes:
    """Rows `s.n,scl,sda` without trailing zeros, so that the length changes from row to row."""
    return b"".join(
        b"%s,%d,%d\n" % ((b"%d.%09d" % divmod(ns, 10**9)).rstrip(b"0"), word & 1, word >> 1)
        for ns, word in zip(t.tolist(), words.tolist(), strict=True)
    )


def scientific_rows(t: Times, words: Words) -> bytes:
    """Rows `d.ddde-0d,scl,sda` with as many digits as needed."""
    rows = []
    for ns, word in zip(t.tolist(), words.tolist(), strict=True):
        digits = b"%d" % ns
        mantissa = digits[:1] + b"." + (digits[1:].rstrip(b"0") or b"0")
        rows.append(b"%se%+03d,%d,%d\n" % (mantissa, len(digits) - 10, word & 1, word >> 1))
    return b"".join(rows)


def write_changes(path: Path, count: int, form: str, start_ns: int = 0) -> None:
    """One row a change. Form: "fixed", "short", "scientific"."""
    rows = {"fixed": fixed_rows, "short": short_rows, "scientific": scientific_rows}[form]
    grain_ns = 1 if form == "fixed" else 5
    with path.open("wb") as file:
        file.write(b"Time [s],scl,sda\n")
        for t, words in edges(count, start_ns, grain_ns):
            file.write(rows(t, words))


def write_samples(path: Path, count: int, period_ns: int = 125) -> None:
    """One row a sample, until `count` edges have been seen."""
    with path.open("wb") as file:
        file.write(b"Time [s],scl,sda\n")
        sample, level = 0, 3
        for t, words in edges(count, 0, 1):
            at = np.arange(sample, int(t[-1]) // period_ns)
            sample = int(at[-1]) + 1
            times = at * period_ns
            index = np.searchsorted(t, times, side="right") - 1
            file.write(fixed_rows(times, np.where(index < 0, level, words[index]).astype(np.uint8)))
            level = int(words[-1])
