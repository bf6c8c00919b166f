"""Firmware stamps recognised without a line pattern.

The first lines decide: as soon as eight lines have one form of stamp, or 64 lines have been seen,
the form that matched most lines is taken for the whole log, the earlier in the table on a tie. A
form without a unit must be on more than half of the lines, for a log is full of bare numbers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

from decoders.prints.block import Block
from decoders.prints.columns import NO_TIME
from decoders.prints.levels import LEVEL_BEFORE, level_code
from decoders.prints.pattern import HEAD

HEAD_LINES = 64
_ENOUGH = 8
_HEAD_CHARACTERS = 256
_TELLING_NS = 100_000_000  # numbers that grow for so long show their unit beside the host's stamps
_RARE_STEP = 100_000  # units from line to line, in the middle of the first lines: 100 s in ms

# Everything up to the text is the group HEAD, for a pattern that does not run through the text is
# several times faster. Terminal colours may come first; [0-9] because \d takes all of Unicode.
_COLOURS = r"(?:\x1b\[[0-9;]*m)*[ \t]*"
_AFTER = r"(?:[:|,;>-]?[ \t]|[:|,;>]|$)"
_AFTER_BRACKET = r"[:|,;>-]?[ \t]?"
UNSTAMPED = "no stamp was recognised in the lines: a line pattern in a bench file can name it"


@dataclass(frozen=True, slots=True)
class Form:
    """One way firmware stamps its lines."""

    words: str  # for people
    stamp: str  # regular expression with a group of STAMP_GROUPS
    guess: str = ""  # that group, where its unit is a guess that host stamps may mend

    @property
    def pattern(self) -> str:
        """Pattern of a line that begins with the stamp."""
        before = _COLOURS if self.stamp else ""
        return rf"^(?P<{HEAD}>{before}{self.stamp}{self._after})"

    @property
    def levelled(self) -> str:
        """Pattern of a line with a level before the stamp: `E (123) `, `<4>[12.5] `."""
        before = rf"(?P<level>{LEVEL_BEFORE})[:/]?[ \t]*"
        return rf"^(?P<{HEAD}>{_COLOURS}{before}{self.stamp}{self._after})"

    @property
    def _after(self) -> str:
        closed = self.stamp.endswith((r"\]", r"\)", r"[\])]"))
        return "" if not self.stamp else _AFTER_BRACKET if closed else _AFTER


_DATE = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}:[0-9]{2}(?:[.,][0-9]+)?"
    r"(?: ?(?:Z|[+-][0-9]{2}:?[0-9]{2}))?"
)
_EPOCH = r"1[0-9]{9}(?:[.,][0-9]{1,9})?|1[0-9]{12}(?:[.,][0-9]{1,6})?|1[0-9]{15}|1[0-9]{18}"
_CLOCK = r"(?:[0-9]+d? )?[0-9]{1,5}:[0-9]{2}:[0-9]{2}(?:[.,][0-9]+)?"
_NUMBER = r"[0-9]+(?:[.,][0-9]+)?"
FORMS = (
    Form("ISO 8601 dates", rf"[\[(]?(?P<time>{_DATE})[\])]?"),
    Form("seconds since 1970", rf"[\[(]?(?P<time>{_EPOCH})[\])]?"),
    Form("hours, minutes and seconds", rf"[\[(]?(?P<time>{_CLOCK})[\])]?"),
    Form("seconds since start-up", r"[\[(][ \t]*(?P<s>[0-9]+[.,][0-9]+)[ \t]*[\])]"),
    Form("seconds since start-up", rf"[\[(]?[ \t]*(?P<s>{_NUMBER}) ?s[\])]?"),
    Form("milliseconds since start-up", rf"[\[(]?[ \t]*(?P<ms>{_NUMBER}) ?ms[\])]?"),
    Form("microseconds since start-up", rf"[\[(]?[ \t]*(?P<us>{_NUMBER}) ?[uµ]s[\])]?"),
    Form("nanoseconds since start-up", r"[\[(]?[ \t]*(?P<ns>[0-9]+) ?ns[\])]?"),
    Form("numbers in brackets", r"\[[ \t]*(?P<ms>[0-9]+)[ \t]*\]", "ms"),
    Form("numbers in brackets", r"\([ \t]*(?P<ms>[0-9]+)[ \t]*\)", "ms"),
    Form("bare numbers with a fraction", r"(?P<s>[0-9]+\.[0-9]{3,9})", "s"),
)
PLAIN = Form("no stamp", "")

_UNIT_WORDS = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}
_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


@cache
def _compiled() -> tuple[tuple[re.Pattern[str], re.Pattern[str]], ...]:
    return tuple((re.compile(form.pattern), re.compile(form.levelled)) for form in FORMS)


class StampChooser:
    """Decides the form of a log's stamps from its first lines, taken one after another."""

    def __init__(self) -> None:
        self._counts = [0] * len(FORMS)
        self._seen: list[list[tuple[float, int]]] = [[] for _ in FORMS]  # (number, arrival_ns)
        self._lines = 0
        self.is_guess = False  # of the unit in `decide`: the host's stamps did not tell it yet

    def look(self, block: Block, begin: int) -> tuple[int, bool]:
        """Look at the lines of a block from row `begin` on.

        Returns:
            The row after the last one looked at, and whether that is enough to decide.
        """
        for row in range(begin, len(block)):
            self._lines += 1
            if block.lines.begins[row]:
                self._count(block.texts[row][:_HEAD_CHARACTERS], int(block.lines.arrival_ns[row]))
            if self._lines >= HEAD_LINES or self._is_enough():
                return row + 1, True
        return len(block), False

    def _count(self, head: str, arrival_ns: int) -> None:
        for k, (pattern, levelled) in enumerate(_compiled()):
            found = pattern.match(head) or levelled.match(head)
            if found and level_code(found.groupdict().get("level") or "e"):
                self._counts[k] += 1
                if FORMS[k].guess:
                    self._seen[k].append((float(found[FORMS[k].guess]), arrival_ns))

    def _is_enough(self) -> bool:
        return any(count >= _ENOUGH and self._admitted(k) for k, count in enumerate(self._counts))

    def _admitted(self, k: int) -> bool:
        if not FORMS[k].guess:
            return self._counts[k] > 0
        numbers = [number for number, _ in self._seen[k]]
        rising = sum(b >= a for a, b in pairwise(numbers))
        return (
            self._counts[k] * 2 > self._lines
            and rising * 2 >= len(numbers) - 1
            and (len(set(numbers)) > 1 or len(numbers) == 1)
        )

    def decide(self) -> tuple[Form, list[str]]:
        """The form, its unit settled, and what to tell people about it."""
        admitted = [k for k in range(len(FORMS)) if self._admitted(k)]
        if not admitted:
            return PLAIN, [UNSTAMPED] if self._lines else []
        best = max(admitted, key=lambda k: (self._counts[k], -k))
        form = FORMS[best]
        if not form.guess:
            return form, [f"stamps were read as {form.words}"]
        stamps = [t_ns for _, t_ns in self._seen[best] if t_ns != NO_TIME]
        self.is_guess = bool(stamps) and stamps[-1] - stamps[0] <= _TELLING_NS
        unit, why = self._unit(self._seen[best], form.guess)
        named = Form(form.words, form.stamp.replace(f"<{form.guess}>", f"<{unit}>"))
        return named, [
            f"stamps were read as {form.words}, {_UNIT_WORDS[unit]} since start-up: {why}"
        ]

    @staticmethod
    def _unit(seen: list[tuple[float, int]], usual: str) -> tuple[str, str]:
        """The unit under which the numbers grow as fast as the host's stamps."""
        known = [(number, t_ns) for number, t_ns in seen if t_ns != NO_TIME]
        if len(known) > 1:
            grown = known[-1][0] - known[0][0]
            passed_s = (known[-1][1] - known[0][1]) / 1e9
            if grown > 0 and passed_s > _TELLING_NS / 1e9:
                for unit, unit_s in _UNIT_S.items():
                    if 0.5 < grown * unit_s / passed_s < 2:
                        return unit, "they grow as fast as the host's stamps"
        steps = sorted(b - a for (a, _), (b, _) in pairwise(seen) if b > a)
        middle = steps[len(steps) // 2] if usual == "ms" and steps else 0
        if middle >= _RARE_STEP:
            unit = "us" if middle < _RARE_STEP * 1000 else "ns"
            return unit, f"in ms a line would come every {middle / 1000:.0f} s only"
        return usual, "the usual unit, for nothing tells another"
