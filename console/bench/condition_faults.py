"""Where in a condition something is wrong, in columns counted from 1.

The library that reads SQL says that a text cannot be read, seldom where. This walks over its
tokens and asks of each whether a value or an operator may stand there. It is asked only about texts
that were refused: what it does not know (CASE, CAST .. AS) costs a place, never a condition.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from console.bench.condition_tokens import COMPARE, TEXT_OPERATORS, name_of, tokens

_JOINING = {"AND", "OR"}
_OPERATORS = COMPARE | TEXT_OPERATORS | _JOINING | {"IS", "+", "-", "*", "/", "%", "|", ","}
_BEFORE_VALUES = {"NOT", "+", "-"}
_BEFORE_OPERATORS = {"IN", "LIKE", "ILIKE", "BETWEEN", "RLIKE", "REGEXP"}  # after NOT
_UNKNOWN = {"CASE", "AS", "INTERVAL", "SELECT", "OVER", "ESCAPE"}


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong at a column; `unfinished` when nothing is, but for what is still to come."""

    column: int
    message: str
    unfinished: bool = False


def column_of(text: str, name: str) -> int | None:
    """Where a condition first names a column or a path."""
    for at, token in tokens(text):
        if not token.startswith("'") and name_of(token) == name:
            return at + 1
    return None


def first_column(text: str, names: Iterable[str]) -> int | None:
    """Where a condition first names one of them."""
    found = [at for at in (column_of(text, name) for name in names) if at is not None]
    return min(found, default=None)


def fault_in(text: str) -> Fault | None:
    """The first token that cannot stand where it does; None where none can be told."""
    parts = list(tokens(text))
    if any(token.upper() in _UNKNOWN for _, token in parts):
        return None
    walk = _Walk()
    for k, (at, token) in enumerate(parts):
        after = parts[k + 1][1] if k + 1 < len(parts) else ""
        message = walk.take(token, after)
        if message:
            # A quote without its end is a token of one character.
            return Fault(at + 1, message, unfinished=token in ("'", '"'))
    message = walk.missing()
    return Fault(len(text.rstrip()) + 1, message, unfinished=True) if message else None


class _Walk:
    """Whether a value is wanted next, and how many parentheses are open."""

    def __init__(self) -> None:
        self.wants_value = True
        self.depth = 0
        self.last = ""

    def take(self, token: str, after: str) -> str:
        """What is wrong with the next token; "" when nothing is."""
        word = token.upper()
        message = ""
        if token in ("'", '"'):
            message = "this quote has no end"
        elif word == "(":
            message = self._open()
        elif word == ")":
            message = self._close()
        elif word in _OPERATORS:
            message = self._operator(word)
        elif word == "NOT" and not self.wants_value:
            if after and after.upper() not in _BEFORE_OPERATORS:
                message = "an operator is wanted before NOT, such as AND"
        elif word != "NOT":
            if not self.wants_value:
                message = f"an operator is wanted before {token}, such as = or AND"
            self.wants_value = False
        self.last = word
        return message

    def _open(self) -> str:
        if not self.wants_value and not self.last.isidentifier():
            return "an operator is wanted before ("
        self.wants_value = True
        self.depth += 1
        return ""

    def _close(self) -> str:
        if not self.depth:
            return ") was never opened"
        if self.wants_value and self.last != "(":
            return f"a value is wanted after {self.last}"
        self.depth -= 1
        self.wants_value = False
        return ""

    def _operator(self, word: str) -> str:
        if self.wants_value and word not in _BEFORE_VALUES and (self.last, word) != ("=", "="):
            behind = f" after {self.last}" if self.last else ""
            return f"a column or a value is wanted{behind}, not {word}"
        self.wants_value = True
        return ""

    def missing(self) -> str:
        """What is still to come at the end; "" when nothing is."""
        if self.wants_value:
            return f"a column or a value is wanted{f' after {self.last}' if self.last else ''}"
        return ") is missing" if self.depth else ""
