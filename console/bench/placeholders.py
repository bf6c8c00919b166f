r"""`${name}` in the steps of an exercise: what was captured, or a counter, put where it stands.

What is captured comes from outside and is data wherever it goes. In a table it is a value of its
own, which JSON quotes; in a condition it is bound as an SQL literal, and it may not stand where SQL
would read it as anything else (a pattern, a name, a comment). `$${` is the text `${`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from console.bench.condition_tokens import TEXT_OPERATORS

Value = int | float | str
Values = Mapping[str, Value]

NAME = re.compile(r"[A-Za-z_]\w{0,63}", re.ASCII)
_PART = re.compile(r"\$\$\{|\$\{([^{}]*)(\}?)")
_PIECE = re.compile(
    r"""'(?:[^']|'')*'       # text
      | "(?:[^"]|"")*"       # quoted name
      | \$\{[^{}]*\}?        # placeholder
      | [A-Za-z_]\w*         # word
      | !?~\*? | --+ | /\*   # pattern operators, comments
      | .""",
    re.VERBOSE | re.DOTALL,
)
_READS_OTHERWISE = {"--", "/*", "'", '"', "$", "`"}  # of SQL, beside which no literal is safe


class UnsetError(Exception):
    """Nothing was captured under a name.

    Args:
        name: which.
    """

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


def names_in(text: str) -> list[str]:
    """The names a text asks for, in order, each as often as it stands there.

    Raises:
        ValueError: in words for people, if a placeholder is none.
    """
    return [name for _, name in _parts(text) if name is not None]


def names_within(data: Any) -> list[str]:
    """The names asked for by the texts of a payload, however deep; keys are taken as written.

    Raises:
        ValueError: as `names_in`.
    """
    if isinstance(data, str):
        return names_in(data)
    inside = data.values() if isinstance(data, dict) else data if isinstance(data, list) else ()
    return [name for item in inside for name in names_within(item)]


def filled(text: str, values: Values) -> str:
    """The text with every value in its place, as it is.

    Raises:
        UnsetError: if a name has no value.
    """
    return "".join(
        written if name is None else str(_value(name, values)) for written, name in _parts(text)
    )


def filled_within(data: Any, values: Values) -> Any:
    """A payload with every value in its place; a text that is one placeholder becomes its value.

    Raises:
        UnsetError: if a name has no value.
    """
    if isinstance(data, str):
        parts = list(_parts(data))
        if len(parts) == 1 and parts[0][1] is not None:
            return _value(parts[0][1], values)
        return filled(data, values)
    if isinstance(data, dict):
        return {key: filled_within(item, values) for key, item in data.items()}
    return [filled_within(item, values) for item in data] if isinstance(data, list) else data


def bound(condition: str, values: Values) -> str:
    """A condition with every value as a literal, whatever it holds.

    Raises:
        ValueError: in words for people, if a placeholder stands where a literal is not safe.
        UnsetError: if a name has no value.
    """
    if not names_in(condition):
        return filled(condition, values)
    found = []
    is_pattern, before = False, ""
    for piece in _PIECE.findall(condition):
        word = piece.upper()
        if piece in _READS_OTHERWISE or piece.startswith("--"):
            raise ValueError(f"{piece} cannot stand in a condition with placeholders")
        if word in ("AND", "OR"):
            is_pattern = False
        elif word in TEXT_OPERATORS or word.startswith("REGEXP"):
            is_pattern = True
        elif "${" in piece:
            piece = _bound_piece(piece, before, values, is_pattern=is_pattern)
        if before.endswith("}") and re.match(r"[\w'\"]", piece):
            raise ValueError("leave a space after the placeholder")
        found.append(piece)
        before = "}" if piece and "${" in word and not word.startswith("'") else piece
    return "".join(found)


def _bound_piece(piece: str, before: str, values: Values, *, is_pattern: bool) -> str:
    """A text, name or placeholder of a condition, bound."""
    if not names_in(piece):
        return piece.replace("$${", "${")
    if piece.startswith('"'):
        raise ValueError("a column's name cannot be captured")
    if is_pattern:
        raise ValueError(
            "what is captured cannot be part of a pattern; compare it by = or starts_with"
        )
    if re.search(r"[\w&'\".]$", before):
        raise ValueError("leave a space before the placeholder or its quotes")
    if piece.startswith("'"):
        doubled = {name: _doubled(_value(name, values)) for name in names_in(piece)}
        return filled(piece, doubled)
    return _literal(_value(names_in(piece)[0], values))


def _literal(value: Value) -> str:
    """A value in SQL; a negative number in parentheses, since `--` would begin a comment."""
    if isinstance(value, str):
        return f"'{_doubled(value)}'"
    return f"({value!r})" if value < 0 else repr(value)


def _doubled(value: Value) -> str:
    return str(value).replace("'", "''")


def _value(name: str, values: Values) -> Value:
    if name not in values:
        raise UnsetError(name)
    return values[name]


def _parts(text: str) -> Iterator[tuple[str, str | None]]:
    """The text as it is written, and the names in it: (text, None) or ("", name)."""
    at = 0
    for match in _PART.finditer(text):
        if match.start() > at:
            yield text[at : match.start()], None
        at = match.end()
        if match[1] is None:
            yield "${", None
        elif match[2] and NAME.fullmatch(match[1]):
            yield "", match[1]
        else:
            words = f"{match[0]!r} is no placeholder: those are ${{name}}, and $${{ is the text ${{"
            raise ValueError(words)
    if at < len(text):
        yield text[at:], None
