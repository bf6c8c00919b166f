"""What may stand at the cursor of a condition that is being written."""

from __future__ import annotations

from dataclasses import dataclass

from console.bench.condition_tokens import COMPARE, TEXT_OPERATORS, name_of, tokens
from console.timeline.finding.event_columns import EVENT_COLUMNS
from console.timeline.finding.vocabulary import Vocabulary

MOST = 60  # offered at once

_OPERATORS = {
    "text": ("=", "<>", "LIKE", "IN (", "IS NULL", "IS NOT NULL", "~"),
    "number": ("=", "<>", "<", "<=", ">", ">=", "BETWEEN", "IN (", "IS NULL", "IS NOT NULL"),
    "truth": ("AND", "OR", "= TRUE", "= FALSE", "IS NULL"),
}
_JOINING = ("AND", "OR")
_EQUALS = {"=", "<>", "!="}
_WANTS_COLUMN = {"AND", "OR", "NOT", "("}
_CONTAINS = "array_contains("
_QUOTES = ("'", '"')


@dataclass(frozen=True, slots=True)
class Completion:
    """What could stand in place of a part of the text."""

    start: int  # offsets into the text: what is replaced
    end: int
    text: str
    note: str  # what it is, in a word or two

    def applied(self, text: str) -> tuple[str, int]:
        """The text with it, and where the cursor stands then."""
        space = "" if self.text.endswith("(") or text[self.end :].startswith(" ") else " "
        after = self.start + len(self.text) + 1
        done = text[: self.start] + self.text + space + text[self.end :]
        return done, min(after if not self.text.endswith("(") else after - 1, len(done))


def completions(text: str, cursor: int, known: Vocabulary) -> list[Completion]:
    """What may stand at the cursor, the likeliest first; nothing within a word that is whole.

    Args:
        text: the condition so far.
        cursor: an offset into it; what follows stays as it is.
        known: the columns and values of the run.
    """
    before = text[:cursor]
    parts = list(tokens(before))
    first = _first_open(parts, cursor)
    start = parts[first][0] if first < len(parts) else cursor
    typed, parts = before[start:], parts[:first]
    words = [token for _, token in parts]
    offered = _fitting(words, typed, known)
    if not offered and typed in COMPARE:  # the operator is whole: what it compares with
        start, offered = cursor, _fitting([*words, typed], "", known)
    return [Completion(start, cursor, word, note) for word, note in offered][:MOST]


def _fitting(words: list[str], typed: str, known: Vocabulary) -> list[tuple[str, str]]:
    """What may follow some tokens and fits what is typed of it, without what is typed itself."""
    offered = _ranked(_offered(words, typed, known), typed)
    return [(word, note) for word, note in offered if word.lower() != typed.lower()]


def _first_open(parts: list[tuple[int, str]], cursor: int) -> int:
    """The first of the last tokens that are still being written; len(parts) when none is."""
    quotes = (k for k, (_, token) in enumerate(parts) if token in _QUOTES)
    first = next(quotes, None)  # a text without its end
    if first is None:
        if not parts or not _can_grow(parts[-1], cursor):
            return len(parts)
        first = len(parts) - 1
    while first and _is_joined(parts[first - 1], parts[first]):
        first -= 1
    return first


def _can_grow(part: tuple[int, str], cursor: int) -> bool:
    """Whether a token touches the cursor and more of it may follow."""
    at, token = part
    is_name = token[0].isalnum() or token[0] in "_\"'."
    return at + len(token) == cursor and (is_name or token in COMPARE | TEXT_OPERATORS)


def _is_joined(one: tuple[int, str], other: tuple[int, str]) -> bool:
    """Whether two tokens are parts of one path that is still being written."""
    touch = one[0] + len(one[1]) == other[0]
    return touch and (one[1] == "." or (other[1] == "." and one[1][0].isalpha()))


def _offered(words: list[str], typed: str, known: Vocabulary) -> list[tuple[str, str]]:
    """What may follow some tokens, as texts and notes, not yet held against what is typed."""
    column = _compared(words, known)
    if column is not None:
        return [(value, _value_note(column, value)) for value in known.values(column)]
    last = words[-1].upper() if words else "("
    if last in _WANTS_COLUMN or last in COMPARE or last in TEXT_OPERATORS or last == ",":
        return [] if last not in _WANTS_COLUMN else _columns(known)
    if typed.startswith(_QUOTES):
        return []
    name = name_of(words[-1])
    if not words[-1].startswith("'") and name in _names(known):
        kind, _ = known.columns[_names(known)[name]]
        return [(operator, "") for operator in _OPERATORS.get(kind, _JOINING)]
    return [(word, "") for word in _JOINING]


def _compared(words: list[str], known: Vocabulary) -> str | None:
    """The column whose value is wanted next."""
    k = len(words) - 1
    while k > 0 and words[k] not in _EQUALS and words[k] != "(" and _in_list(words[k]):
        k -= 1  # back over the values of a list
    if k > 1 and words[k] == "(" and words[k - 1].upper() == "IN":
        k -= 2 if words[k - 2].upper() != "NOT" else 3
        return _names(known).get(name_of(words[k])) if k >= 0 and _wants_item(words) else None
    if len(words) > 2 and words[-1] == "," and words[-3] == "(":
        name = name_of(words[-2])
        return name if known.columns.get(name, ("",))[0] == "words" else None
    if len(words) > 1 and words[-1] in _EQUALS and not words[-2].startswith("'"):
        return _names(known).get(name_of(words[-2]))
    return None


def _in_list(word: str) -> bool:
    return word == "," or word.startswith("'") or word[0].isdigit()


def _wants_item(words: list[str]) -> bool:
    return words[-1] in ("(", ",")


def _names(known: Vocabulary) -> dict[str, str]:
    """Columns and paths as a condition writes them, by the name it means."""
    return {name_of(column): column for column in known.columns}


def _columns(known: Vocabulary) -> list[tuple[str, str]]:
    """Columns and what they are; a column of words is asked for by a function."""
    found = []
    for name, (kind, tables) in known.columns.items():
        where = "every event" if name in EVENT_COLUMNS else ", ".join(tables)
        shown = f"{_CONTAINS}{name}," if kind == "words" else name
        found.append((shown, f"{'' if kind == 'words' else kind + ' in '}{where}"))
    return [*found, ("NOT", "")]


def _value_note(column: str, value: str) -> str:
    """An address as the bench writes it."""
    return f"0x{int(value):02X}" if column == "address" and value.isdecimal() else ""


def _ranked(offered: list[tuple[str, str]], typed: str) -> list[tuple[str, str]]:
    """What begins with what is typed, then what holds it, in the order offered."""
    wanted = typed.lower().lstrip("'\"")
    if not wanted:
        return offered
    begins, holds = [], []
    for text, note in offered:
        plain = text.lower().removeprefix(_CONTAINS).lstrip("'\"")
        if plain.startswith(wanted):
            begins.append((text, note))
        elif wanted in plain:
            holds.append((text, note))
    return begins + holds
