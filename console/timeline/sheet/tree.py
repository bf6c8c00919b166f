"""JSON values as an indented tree, beside the last good one's; bounded whatever the payload."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from console.timeline.sheet.compare import MISSING, change_of
from console.timeline.sheet.lines import MOST_FIELDS, MOST_ITEMS, Change, Field, More, clipped

MOST_LEVELS = 8
MOST_VALUE = 200  # characters of one value

_Key = str | int


def tree_lines(
    value: Any, before: Sequence[Any] = (), steps: Sequence[int] = ()
) -> list[Field | More]:
    """The members of an object or list, one line each; a bare value is one line.

    Args:
        value: what JSON can hold.
        before: the same of the good events before, newest first.
        steps: as `change_of`.
    """
    tree = _Tree(steps)
    if isinstance(value, dict | list):
        return list(tree.members(value, before, 0))
    return list(tree.member("value", value, before, 0))


def value_text(value: Any) -> str:
    """One bare value; texts in quotes, so that "1" is not 1."""
    if isinstance(value, str):
        return f'"{clipped(value, MOST_VALUE)}"'
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{}" if not value else counted_members(len(value), "member")
    if isinstance(value, list):
        return "[]" if not value else counted_members(len(value), "item")
    return clipped(str(value), MOST_VALUE)


def counted_members(count: int, what: str) -> str:
    """`1 item`, `2 items`."""
    return f"{count:,} {what}{'s' * (count != 1)}"


class _Tree:
    """Walks a value within what is left of the sheet."""

    def __init__(self, steps: Sequence[int]) -> None:
        self.steps = steps
        self.left = MOST_FIELDS

    def members(
        self, value: dict[str, Any] | list[Any], before: Sequence[Any], level: int
    ) -> Iterator[Field | More]:
        pairs: Iterable[tuple[_Key, Any]] = (
            value.items() if isinstance(value, dict) else enumerate(value)
        )
        for shown, (key, member) in enumerate(pairs):
            if shown == MOST_ITEMS or self.left <= 0:
                yield More(len(value) - shown, "members", level)
                break
            yield from self.member(key, member, [_inside(b, key) for b in before], level)
        else:
            yield from self._gone(value, before, level)

    def member(
        self, key: _Key, value: Any, before: Sequence[Any], level: int
    ) -> Iterator[Field | More]:
        self.left -= 1
        name = clipped(str(key), MOST_VALUE)
        is_container = isinstance(value, dict | list) and bool(value)
        change, was = self._compared(value, before)
        yield Field(name, value_text(value), level, change=change, was=was)
        if is_container and level < MOST_LEVELS:
            yield from self.members(value, before, level + 1)
        elif is_container:
            yield More(len(value), "members deeper", level + 1)

    def _compared(self, value: Any, before: Sequence[Any]) -> tuple[Change, str]:
        if isinstance(value, dict | list) and before and type(before[0]) is type(value):
            sizes = [len(b) if isinstance(b, dict | list) else MISSING for b in before[:1]]
            same = sizes[0] == len(value)
            return (Change.SAME if same else Change.DIFFERS), "" if same else value_text(before[0])
        change = change_of(value, before, self.steps)
        differs = change in (Change.DIFFERS, Change.STEPS)
        return change, value_text(before[0]) if differs else ""

    def _gone(
        self, value: dict[str, Any] | list[Any], before: Sequence[Any], level: int
    ) -> Iterator[Field | More]:
        """Members that only the last good object had; those of lists are told by their length."""
        if not before or not isinstance(value, dict) or not isinstance(before[0], dict):
            return
        gone = [key for key in before[0] if key not in value]
        for k, key in enumerate(gone):
            if k == MOST_ITEMS or self.left <= 0:
                yield More(len(gone) - k, "members that are gone", level)
                return
            self.left -= 1
            was = value_text(before[0][key])
            yield Field(clipped(key, MOST_VALUE), "not there", level, change=Change.GONE, was=was)


def _inside(before: Any, key: _Key) -> Any:
    """The member of an earlier value; `MISSING` where there is none."""
    if isinstance(before, dict) and isinstance(key, str):
        return before.get(key, MISSING)
    if isinstance(before, list) and isinstance(key, int) and key < len(before):
        return before[key]
    return MISSING
