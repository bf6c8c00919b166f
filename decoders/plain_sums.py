"""The plain sums that devices send as check codes, worked out for many rows at once.

Each takes uint8[n, k] (n and k may be 0) and gives uint64[n]. Sums modulo a power of two may be
left to wrap in 64 bits; the others are reduced before 64 bits could be too few.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Codes = npt.NDArray[np.uint64]


def sum8(total: Codes) -> Codes:
    """Bytes added, modulo 256."""
    return total & np.uint64(0xFF)


def sum16(total: Codes) -> Codes:
    """Bytes (not 16-bit words, which some data sheets mean) added, modulo 65536."""
    return total & np.uint64(0xFFFF)


def twos_complement(total: Codes) -> Codes:
    """What makes message and code add up to 0 modulo 256 (Intel HEX)."""
    return (np.uint64(0) - total) & np.uint64(0xFF)


def ones_complement(total: Codes) -> Codes:
    """255 less the sum modulo 256."""
    return ~total & np.uint64(0xFF)


def _of_total(finish: Callable[[Codes], Codes]) -> Callable[[Bytes], Codes]:
    return lambda matrix: finish(matrix.sum(axis=1, dtype=np.uint64))


def xor(matrix: Bytes) -> Codes:
    """All bytes XORed (an LRC, NMEA 0183)."""
    codes: Codes = np.bitwise_xor.reduce(matrix, axis=1).astype(np.uint64)
    return codes


def fletcher16(matrix: Bytes) -> Codes:
    """Two sums modulo 255 (as RFC 1146 describes): 00 and FF are the same to it."""
    low, high = _two_sums(matrix, 255, 0)
    return (high << np.uint64(8)) | low


def fletcher32(matrix: Bytes) -> Codes:
    """Two sums of little-endian 16-bit words modulo 65535."""
    low, high = _two_sums(_words(matrix, "<"), 65535, 0)
    return (high << np.uint64(16)) | low


def adler32(matrix: Bytes) -> Codes:
    """RFC 1950: two sums modulo 65521, the first of which starts at 1."""
    low, high = _two_sums(matrix, 65521, 1)
    return (high << np.uint64(16)) | low


def internet(matrix: Bytes) -> Codes:
    """RFC 1071: complement of the one's complement sum of big-endian 16-bit words."""
    total: Codes = _words(matrix, ">").sum(axis=1, dtype=np.uint64)
    for _ in range(4):  # each fold takes 16 of the 64 bits
        total = (total & np.uint64(0xFFFF)) + (total >> np.uint64(16))
    return total ^ np.uint64(0xFFFF)


def _two_sums(
    matrix: npt.NDArray[np.uint8] | npt.NDArray[np.uint16], modulus: int, low_start: int
) -> tuple[Codes, Codes]:
    """The running sum and the sum of the running sums of every row, modulo `modulus`.

    Element i of k counts k - i times in the second; with the weights reduced first, 64 bits hold
    the sum of any row of up to 2 ** 32 elements.
    """
    count = matrix.shape[1]
    weights = np.arange(count, 0, -1, dtype=np.uint64) % np.uint64(modulus)
    low = (matrix.sum(axis=1, dtype=np.uint64) + np.uint64(low_start)) % np.uint64(modulus)
    high = (matrix @ weights + np.uint64(low_start * count)) % np.uint64(modulus)
    return low, high


def _words(matrix: Bytes, order: str) -> npt.NDArray[np.uint16]:
    """Rows as 16-bit words in byte order "<" or ">", an odd last byte padded with 00."""
    rows, count = matrix.shape
    padded = np.zeros((rows, count + count % 2), np.uint8)
    padded[:, :count] = matrix
    words: npt.NDArray[np.uint16] = padded.view(f"{order}u2").astype(np.uint16)
    return words


# Name -> (width in bits, code of the sum of all bytes).
BYTE_SUMS: dict[str, tuple[int, Callable[[Codes], Codes]]] = {
    "sum8": (8, sum8),
    "sum16": (16, sum16),
    "twos-complement": (8, twos_complement),
    "ones-complement": (8, ones_complement),
}

# Name -> (width in bits, codes of rows).
PLAIN_SUMS: dict[str, tuple[int, Callable[[Bytes], Codes]]] = {
    **{name: (width, _of_total(finish)) for name, (width, finish) in BYTE_SUMS.items()},
    "xor": (8, xor),
    "fletcher16": (16, fletcher16),
    "fletcher32": (32, fletcher32),
    "adler32": (32, adler32),
    "internet": (16, internet),
}
