"""Check codes: CRCs of 8 to 32 bits and the plain sums that devices send.

CRCs are worked out by the library anycrc; its names are those of the "Catalogue of parametrised
CRC algorithms", and any other CRC is told by its parameters. For many rows of one length the same
CRC is stepped through a 256-entry table (made by the library), all rows at once, column by column.

A code is a number here. In which order its bytes are sent belongs to the field that carries it.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import anycrc
import numpy as np
import numpy.typing as npt

from decoders.errors import DescriptionError
from decoders.plain_sums import PLAIN_SUMS, Bytes, Codes

_PARAMETERS = ("width", "poly", "init", "refin", "refout", "xorout")

# Names in wide use beside the catalogue's own (and its aliases, which the library knows).
_ALIASES = {
    "PEC": "CRC-8/SMBUS",
    "1-WIRE": "CRC-8/MAXIM-DOW",
    "DOW": "CRC-8/MAXIM-DOW",
    "LHA": "CRC-16/ARC",
    "ACORN": "CRC-16/XMODEM",
    "CCITT-FALSE": "CRC-16/IBM-3740",
    "CCITT-TRUE": "CRC-16/KERMIT",
    "ZLIB": "CRC-32/ISO-HDLC",
    "ETHERNET": "CRC-32/ISO-HDLC",
    "CASTAGNOLI": "CRC-32/ISCSI",
    "ISCSI": "CRC-32/ISCSI",
    "SMBUS": "CRC-8/SMBUS",
}

# Names that stand for several codes in the wild: refused rather than guessed.
_AMBIGUOUS = {
    "CCITT": ("CRC-16/XMODEM", "CRC-16/IBM-3740", "CRC-16/KERMIT"),
    "AUTOSAR": ("CRC-8/AUTOSAR", "CRC-16/IBM-3740", "CRC-32/AUTOSAR"),
    "MAXIM": ("CRC-8/MAXIM-DOW", "CRC-16/MAXIM-DOW"),
}
_AMBIGUOUS |= {f"CRC{name}": codes for name, codes in _AMBIGUOUS.items()}
_AMBIGUOUS |= {"CRC16CCITT": _AMBIGUOUS["CCITT"]}


@dataclass(frozen=True, slots=True)
class CheckCode:
    """One way to work out a check code; made by `check_code`."""

    name: str  # the catalogue's name, or the kind of sum
    width_bits: int
    _of: Callable[[bytes], int]
    _of_rows: Callable[[Bytes], Codes]

    @property
    def width_bytes(self) -> int:
        """Bytes a field needs to carry the code."""
        return (self.width_bits + 7) // 8

    def of(self, data: bytes) -> int:
        """The code of one run of bytes, 0 <= code < 2 ** width_bits."""
        return self._of(data)

    def of_rows(self, matrix: Bytes) -> Codes:
        """The codes of n runs of k bytes each.

        Args:
            matrix: uint8[n, k]; n and k may be 0.

        Returns:
            uint64[n].
        """
        return self._of_rows(matrix)


def check_code(kind: str = "", /, **params: int | bool) -> CheckCode:
    """The check code of a name, or a CRC by its parameters.

    Args:
        kind: a catalogue name ("CRC-16/MODBUS"), an alias ("modbus", "PEC"), or one of `SUMS`.
            Case, spaces and punctuation do not matter.
        **params: width (8..32), poly, init, refin, refout, xorout, as the catalogue states them;
            init and xorout are 0 and refin and refout False when left out.

    Raises:
        DescriptionError: unknown or ambiguous name, or impossible parameters.
    """
    if params:
        return _crc_by_parameters(kind, params)
    plain = _plain(kind)
    if plain in _AMBIGUOUS:
        names = ", ".join(_AMBIGUOUS[plain])
        raise DescriptionError(
            f"check code {kind!r} is ambiguous", mend=f"It can mean {names}: write which one."
        )
    if plain in _SUM_NAMES:
        return SUMS[_SUM_NAMES[plain]]
    if plain not in _CRC_NAMES:
        known = {
            _plain(name): name for name in [*SUMS, *_ALIASES, *map(_catalogued, anycrc.models)]
        }
        near = difflib.get_close_matches(plain, known, n=1)
        guess = f"Did you mean {known[near[0]]!r}? " if near else ""
        raise DescriptionError(
            f"unknown check code {kind!r}",
            mend=f"{guess}Use a name of the CRC catalogue, a CRC's parameters, or one of "
            f"{', '.join(SUMS)}.",
        )
    model_name = _CRC_NAMES[plain]
    model = anycrc.models[model_name]
    return _crc(_catalogued(model_name), *(getattr(model, name) for name in _PARAMETERS))


def _crc_by_parameters(kind: str, params: dict[str, int | bool]) -> CheckCode:
    if unknown := [name for name in params if name not in _PARAMETERS]:
        raise DescriptionError(
            f"unknown CRC parameter {unknown[0]!r}", mend=f"Known: {', '.join(_PARAMETERS)}."
        )
    if missing := [name for name in ("width", "poly") if name not in params]:
        raise DescriptionError(
            f"a CRC by parameters needs {missing[0]!r}", mend="Write at least width and poly."
        )
    width, poly = int(params["width"]), int(params["poly"])
    init, xorout = int(params.get("init", 0)), int(params.get("xorout", 0))
    refin, refout = bool(params.get("refin", False)), bool(params.get("refout", False))
    if 8 <= width <= 32:
        for name, value in (("poly", poly), ("init", init), ("xorout", xorout)):
            if not 0 <= value < 1 << width:
                raise DescriptionError(
                    f"CRC parameter {name} = {value:#x} does not fit in {width} bits",
                    mend="Leave out the polynomial's highest term (x^width)." * (name == "poly"),
                )
    return _crc(kind or f"CRC-{width} by parameters", width, poly, init, refin, refout, xorout)


@cache
def _crc(
    name: str, width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int
) -> CheckCode:
    if not 8 <= width <= 32:
        raise DescriptionError(
            f"{name} is {width} bits wide", mend="CRCs of 8 to 32 bits can be checked."
        )
    whole = anycrc.CRC(width, poly, init, refin, refout, xorout)
    plain = anycrc.CRC(width, poly, 0, refin, refin, 0)  # no init, no xorout: the table's entries
    table = np.array([plain.calc(bytes([byte])) for byte in range(256)], np.uint32)
    start = _mirrored(init, width) if refin else init
    back = np.uint32(1 if refin else 0)

    def of(data: bytes) -> int:
        return int(whole.calc(data))

    def of_rows(matrix: Bytes) -> Codes:
        register = np.full(len(matrix), start, np.uint32)
        mask = np.uint32((1 << width) - 1)
        for column in matrix.T:
            if back:
                register = (register >> np.uint32(8)) ^ table[(register & np.uint32(0xFF)) ^ column]
            else:
                top = (register >> np.uint32(width - 8)) ^ column
                register = ((register << np.uint32(8)) & mask) ^ table[top]
        if refin != refout:
            register = _mirrored_column(register, width)
        codes: Codes = (register ^ np.uint32(xorout)).astype(np.uint64)
        return codes

    return CheckCode(name, width, of, of_rows)


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _mirrored_column(values: npt.NDArray[np.uint32], width: int) -> npt.NDArray[np.uint32]:
    mirrored = np.zeros_like(values)
    for bit in range(width):
        mirrored |= ((values >> np.uint32(bit)) & np.uint32(1)) << np.uint32(width - 1 - bit)
    return mirrored


def _sum_code(name: str, width: int, of_rows: Callable[[Bytes], Codes]) -> CheckCode:
    def of(data: bytes) -> int:
        return int(of_rows(np.frombuffer(data, np.uint8).reshape(1, len(data)))[0])

    return CheckCode(name, width, of, of_rows)


SUMS = {name: _sum_code(name, width, rows) for name, (width, rows) in PLAIN_SUMS.items()}


def _plain(name: str) -> str:
    return re.sub(r"[^A-Z0-9]", "", name.upper())


def _catalogued(model_name: str) -> str:
    """The library's "CRC16-ARC" as the catalogue writes it: "CRC-16/ARC"."""
    return re.sub(r"^CRC(\d+)-", r"CRC-\1/", model_name)


def _crc_names() -> dict[str, str]:
    """Plain name -> the library's model name, ambiguous ones left out."""
    names = {_plain(name): name for name in anycrc.models}
    names |= {_plain(name): model for name, model in anycrc.aliases.items()}
    short: dict[str, list[str]] = {}
    for name in anycrc.models:
        short.setdefault(_plain(name.partition("-")[2]), []).append(name)
    for name, models in short.items():
        if len(models) == 1:
            names.setdefault(name, models[0])
    names |= {_plain(alias): names[_plain(name)] for alias, name in _ALIASES.items()}
    return {name: model for name, model in names.items() if name not in _AMBIGUOUS}


_CRC_NAMES = _crc_names()
_SUM_NAMES = {_plain(name): name for name in SUMS} | {
    "LRC": "xor",
    "XOR8": "xor",
    "TWOSCOMPLEMENTSUM": "twos-complement",
    "ONESCOMPLEMENTSUM": "ones-complement",
}
