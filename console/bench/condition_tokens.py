"""The parts of a condition, and what each path in it is compared with."""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import Enum

_TOKEN = re.compile(
    r"""'(?:[^']|'')*'                             # text
      | "(?:[^"]|"")*"                             # quoted name
      | [A-Za-z_]\w*(?:\.(?:\w+|"(?:[^"]|"")*"))*  # word, or a dotted path
      | \d[\w.]*
      | <>|<=|>=|!=|!~\*|!~|~\*|[=<>~(),]
      | \s+
      | .""",
    re.VERBOSE | re.DOTALL,
)
_HEX = re.compile(r"0[xX][0-9A-Fa-f]{1,15}")  # fits int64
DOT = "\uf8ff"  # a dot within a name, while dots part names: a private code point, never said
COMPARE = {"=", "<>", "!=", "<", ">", "<=", ">=", "BETWEEN", "IN"}
TEXT_OPERATORS = {"LIKE", "ILIKE", "~", "~*", "!~", "!~*", "RLIKE", "REGEXP"}
_TEXT_FUNCTIONS = {
    "UPPER", "LOWER", "LENGTH", "CHAR_LENGTH", "STARTS_WITH", "ENDS_WITH", "REGEXP_LIKE", "TRIM",
    "LTRIM", "RTRIM", "LEFT", "RIGHT", "SUBSTR", "SUBSTRING", "STRPOS", "REPLACE", "CONCAT",
}  # fmt: skip
_ALONE = {None, "AND", "OR", "NOT", "(", ")"}


class Kind(Enum):
    """How a JSON value is read."""

    NUMBER = "number"
    WHOLE = "whole"
    TEXT = "text"
    TRUTH = "truth"


def pieces(text: str) -> list[str]:
    """All of a condition in pieces, white space too; hexadecimal numbers as decimal ones.

    In SQL a hexadecimal number would be bytes.
    """
    return [str(int(t, 16)) if _HEX.fullmatch(t) else t for t in _TOKEN.findall(text)]


def tokens(text: str) -> Iterator[tuple[int, str]]:
    """The parts of a condition with their offsets, as written; white space is left out."""
    for found in _TOKEN.finditer(text):
        if not found[0].isspace():
            yield found.start(), found[0]


def name_of(token: str) -> str:
    """`fields."cap-colour"` and `"fields.cap-colour"` as fields.cap-colour.

    A dot inside the quotes of one step (`fields."cap.colour"`) is part of the name, and stands
    for itself as `DOT`.
    """
    parts = re.findall(r'"((?:[^"]|"")*)"|([^."]+)', token)
    if len(parts) == 1:
        return str(parts[0][0].replace('""', '"') or parts[0][1])
    return ".".join(q.replace('""', '"').replace(".", DOT) or plain for q, plain in parts)


def kind_of(before: list[str], after: list[str]) -> Kind:
    """What a path is compared with.

    Args:
        before: the tokens before it, read backwards from it.
        after: the tokens after it.
    """
    after = [t for t in after if t.upper() != "NOT"]
    word = after[0].upper() if after else None
    called = before[1].upper() if len(before) > 1 and before[0] == "(" else None
    if word in TEXT_OPERATORS or called in _TEXT_FUNCTIONS or word == "IS":
        return Kind.TEXT
    for operator, others in ((after[:1], after[1:]), (before[:1], before[1:])):
        if operator and operator[0].upper() in COMPARE:
            literal = next((t for t in others if t != "("), "")
            if literal.startswith("'"):
                return Kind.TEXT
            if literal.upper() in ("TRUE", "FALSE"):
                return Kind.TRUTH
            return Kind.NUMBER
    previous = before[0].upper() if before else None
    if previous in _ALONE and word in _ALONE and called in (*_ALONE, "("):
        return Kind.TRUTH
    return Kind.NUMBER


def texts_compared(text: str, name: str) -> list[tuple[int, str]]:
    """The texts a column is held equal or unequal to, with the offsets of their quotes.

    Args:
        text: a condition.
        name: a column, as `name_of` gives it.
    """
    parts = list(tokens(text))
    found = []
    for k, (_, token) in enumerate(parts):
        if token.startswith("'") or name_of(token) != name:
            continue
        if k > 1 and parts[k - 1][1] in ("=", "<>", "!="):
            found.append(parts[k - 2])
        rest = parts[k + 1 :]
        if rest and rest[0][1].upper() == "NOT":
            rest = rest[1:]
        if len(rest) > 1 and rest[0][1] in ("=", "<>", "!="):
            found.append(rest[1])
        if len(rest) > 1 and rest[0][1].upper() == "IN":
            words = (t for _, t in rest[2:])
            inside = next((n for n, t in enumerate(words) if t == ")"), len(rest))
            found += rest[2 : 2 + inside]
    return [
        (at, token[1:-1].replace("''", "'"))
        for at, token in found
        if len(token) > 1 and token.startswith("'")
    ]
