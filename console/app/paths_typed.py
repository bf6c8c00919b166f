"""Paths as they are typed on one line: several, quoted as in a shell, completed word by word."""

from __future__ import annotations

import os
import re
import shlex
from dataclasses import dataclass

MOST_NAMES = 200  # of a folder that are offered

_PLAIN = re.compile(r"[\w@%+=:,./~-]")


@dataclass(frozen=True, slots=True)
class Completion:
    """What may follow on a line that is being typed."""

    line: str  # with whatever all candidates have in common
    names: tuple[str, ...]  # candidates, from outside, not cleaned; folders end in "/"


def paths_of(line: str) -> tuple[str, ...]:
    """The paths on a line; `~` is the home directory.

    Raises:
        ValueError: when a quotation mark is not closed, or there is a NUL.
    """
    if "\0" in line:
        raise ValueError("no path holds a NUL")
    try:
        return tuple(os.path.expanduser(word) for word in shlex.split(line))
    except ValueError as error:
        raise ValueError("a quotation mark is not closed") from error


def completion(line: str) -> Completion:
    """Complete the last word of a line from the names in its folder.

    A word that ends in a quotation is left as it is.
    """
    start, word = _last_word(line)
    if "\0" in word:  # no path holds one
        return Completion(line, ())
    folder, _, begun = word.rpartition("/")
    where = os.path.expanduser(folder + "/" if "/" in word else ".")
    names = _names(where, begun)
    if not names:
        return Completion(line, ())
    common = os.path.commonprefix(names)  # noqa: RUF071 (characters are meant)
    whole = f"{folder}/{common}" if "/" in word else common
    return Completion(line[:start] + _quoted(whole), tuple(names))


def _last_word(line: str) -> tuple[int, str]:
    """Where the last word begins, and what it means."""
    start, word, quote, at = 0, "", "", 0
    while at < len(line):
        char = line[at]
        if quote:
            quote, word = ("", word) if char == quote else (quote, word + char)
        elif char == "\\" and at + 1 < len(line):
            at += 1
            word += line[at]
        elif char in "'\"":
            quote = char
        elif char.isspace():
            start, word = at + 1, ""
        else:
            word += char
        at += 1
    return start, word


def _names(folder: str, begun: str) -> list[str]:
    """Names in a folder that begin so; hidden ones only where a dot was typed."""
    found = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                hidden = entry.name.startswith(".") and not begun.startswith(".")
                if entry.name.startswith(begun) and not hidden:
                    found.append(entry.name + ("/" if entry.is_dir() else ""))
    except (OSError, ValueError):  # ValueError: a NUL in the name
        return []
    return sorted(found)[:MOST_NAMES]


def _quoted(path: str) -> str:
    return "".join(c if _PLAIN.fullmatch(c) else f"\\{c}" for c in path)
