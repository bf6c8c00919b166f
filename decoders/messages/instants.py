"""Times of recordings: JSON numbers and ISO 8601 strings to int64 ns, exactly.

A number stays decimal text until it is whole nanoseconds; float64 seconds resolve only about 240 ns
at today's epoch times. Seconds are the rule; a number too large to be seconds in int64 ns is taken
as ms, us or ns, whichever fits first, which no time between 2001 and 2262 leaves open.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from decimal import ROUND_FLOOR, Decimal, InvalidOperation, localcontext

import numpy as np
import numpy.typing as npt

SECOND_NS = 1_000_000_000
LIMIT_NS = 2**63 - 1
_LAST_SECOND = LIMIT_NS // SECOND_NS - 1
_EPOCH_DAY = date(1970, 1, 1).toordinal()

# RFC 3339 section 5.6 with what is met in the wild: a space for T, a comma, no seconds, no zone.
_ISO = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?"
    r" ?(Z|z|UTC|([+-])(\d\d):?(\d\d)?)?",
    re.ASCII,
)


class Instants:
    """Reads times one after another and remembers what had to be assumed.

    Attributes:
        scaled: unit words ("ms", "us", "ns") taken for numbers too large to be seconds.
        zoneless: whether an ISO 8601 time had no zone and was taken as UTC.
    """

    def __init__(self) -> None:
        self.scaled: set[str] = set()
        self.zoneless = False

    def of_record(self, raw: bytes, whole_ns: int | None) -> int:
        """The time of a record in ns.

        Args:
            raw: its `t` as raw JSON text, b"" when there is none.
            whole_ns: its `t_ns`, which goes before `t`.

        Raises:
            ValueError: if there is no time, or none that int64 ns can hold.
        """
        if whole_ns is not None:
            if abs(whole_ns) > LIMIT_NS:
                raise ValueError("'t_ns' is out of range")
            return whole_ns
        # Digits with or without a fraction, the usual case: 0.5 us each.
        whole, _, part = raw.partition(b".")
        if whole.isdigit() and len(whole) < 11 and (part.isdigit() or not part):
            seconds = int(whole)
            if seconds <= _LAST_SECOND:
                return seconds * SECOND_NS + int(part[:9].ljust(9, b"0"))
        if not raw:
            raise ValueError("no time 't' in it")
        t_ns = self.instant_ns(raw)
        if t_ns is None:
            raise ValueError("'t' is no time")
        return t_ns

    def instant_ns(self, raw: bytes) -> int | None:
        """One time in ns, or None when the JSON value is none.

        Digits below one ns are dropped, towards the past.
        """
        text = raw.decode("utf-8", "replace").strip()
        if len(text) > 80:
            return None
        if text[:1] == '"' and text[-1:] == '"':
            text = text[1:-1].strip()
            found = _ISO.fullmatch(text)
            if found:
                return self._iso_ns(found)
        try:
            number = Decimal(text)
        except InvalidOperation:
            return None
        return self._number_ns(number)

    def _number_ns(self, number: Decimal) -> int | None:
        if not number.is_finite() or number.adjusted() > 18:
            return None
        with localcontext() as context:
            context.prec = 120  # more than the digits let in, so nothing is rounded
            for unit_ns, unit in ((SECOND_NS, ""), (1_000_000, "ms"), (1000, "us"), (1, "ns")):
                if abs(number * unit_ns) <= LIMIT_NS:
                    self.scaled.update({unit} if unit else ())
                    return int((number * unit_ns).to_integral_value(ROUND_FLOOR))
        return None

    def _iso_ns(self, found: re.Match[str]) -> int | None:
        year, month, day, hour, minute = (int(found[k]) for k in range(1, 6))
        second = int(found[6] or 0)  # 60 is a leap second: the next minute's 0
        if hour > 23 or minute > 59 or second > 60:
            return None
        try:
            days = date(year, month, day).toordinal() - _EPOCH_DAY
        except ValueError:
            return None
        if found[8] is None:
            self.zoneless = True
        east_s = int(found[10] or 0) * 3600 + int(found[11] or 0) * 60
        east_s = -east_s if found[9] == "-" else east_s
        seconds = days * 86400 + hour * 3600 + minute * 60 + second - east_s
        if abs(seconds) > _LAST_SECOND:
            return None
        return seconds * SECOND_NS + int((found[7] or "")[:9].ljust(9, "0"))

    def remarks(self) -> list[str]:
        """What was assumed, for people."""
        said = [
            f"times too large to be seconds were taken as {unit}" for unit in sorted(self.scaled)
        ]
        if self.zoneless:
            said.append("times without a zone were taken as UTC")
        return said


def same_width_ns(raws: Sequence[bytes]) -> npt.NDArray[np.int64] | None:
    """Times of n decimal seconds with the same number of digits, in one go.

    Args:
        raws: n JSON texts such as b"1700000000.250000".

    Returns:
        int64[n] in ns, or None unless all are plain decimals of one width that are seconds.
    """
    width = len(raws[0]) if raws else 0
    if not 0 < width <= 20 or any(len(raw) != width for raw in raws):
        return None
    point = raws[0].find(b".")
    whole = width if point < 0 else point
    matrix = np.frombuffer(b"".join(raws), dtype=np.uint8).reshape(-1, width)
    digits = np.delete(matrix, [point] if point >= 0 else [], axis=1).astype(np.int64) - 48
    if digits.min() < 0 or digits.max() > 9 or not 0 < whole <= 10 or whole == width - 1:
        return None
    if point >= 0 and (matrix[:, point] != 46).any():
        return None
    powers = [10 ** (whole + 8 - k) if whole + 8 - k >= 0 else 0 for k in range(digits.shape[1])]
    fits = whole < 10 or int(digits[:, 0].max()) < 9  # 9e9 s is the end of int64 ns
    return digits @ np.array(powers, dtype=np.int64) if fits else None
