"""Which files of a folder are complete, from what it looked like at one look after the other.

A program that exports a capture writes for a while, in pieces, and nothing says when it is done. A
file passes for complete when size and time of change stayed the same for as long as asked, as seen
by our own clock: times of files come from other clocks, of a file server or of whoever copied them.
A file that had a name of the unfinished kind (`.part`, `.tmp`, a leading dot ..) and is renamed is
complete at once: whoever wrote it says so. An empty file is not complete, only begun.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".download", ".swp", "~")

Turn = Literal["complete", "replaced", "gone"]


@dataclass(frozen=True, slots=True)
class Seen:
    """A file at one look."""

    inode: int
    size: int
    changed_ns: int  # by the file system

    def looks_like(self, other: Seen) -> bool:
        """Whether nothing tells them apart; file servers number anew when they are mounted."""
        return (self.size, self.changed_ns) == (other.size, other.changed_ns)


@dataclass(frozen=True, slots=True)
class Turned:
    """What became of a file: complete, complete anew in place of another, gone before it was."""

    name: str
    turn: Turn
    size: int = 0


@dataclass(slots=True)
class _Followed:
    seen: Seen
    since_ns: int  # it has looked so
    settled: bool  # complete and told, or here before the folder was watched
    told: bool = False  # whether it, or what stood in its place, was told complete


class Settling:
    """A fold over looks at a folder. Keeps what it knows of the files that are there, no more.

    What is there at the first look was not exported into this run: it is left alone until it
    changes.

    Args:
        pattern: of names, with `*`, `?` and `[..]`.
        still_ns: how long a file must stay the same.
    """

    def __init__(self, pattern: str, still_ns: int) -> None:
        self._pattern = pattern
        self._still_ns = still_ns
        self._files: dict[str, _Followed] | None = None  # None before the first look

    def look(self, files: Mapping[str, Seen], now_ns: int) -> list[Turned]:
        """Take the next look.

        Args:
            files: every file of the folder, of whatever name.
            now_ns: when it was, on a clock that never steps back.

        Returns:
            What became of files since the look before, by name.
        """
        if self._files is None:
            self._files = {name: _Followed(seen, now_ns, True) for name, seen in files.items()}
            return []
        before, there = self._files, set(files.values())
        left = {file.seen: name for name, file in before.items() if name not in files}
        self._files = {
            name: self._followed(name, seen, now_ns, left) for name, seen in sorted(files.items())
        }
        turned = [
            Turned(name, "gone", seen.size)
            for seen, name in left.items()
            if seen not in there and not before[name].settled and self._wanted(name)
        ]
        return turned + list(self._settled(now_ns))

    def again(self, name: str, now_ns: int) -> None:
        """A file told complete could not be read: it is to be told again, after as long."""
        file = (self._files or {}).get(name)
        if file is not None:
            file.settled, file.told, file.since_ns = False, False, now_ns

    def _followed(self, name: str, seen: Seen, now_ns: int, left: Mapping[Seen, str]) -> _Followed:
        """What is known of a file that is there now; `left` are the names that are not any more."""
        before = self._files or {}
        old = before.get(name)
        if old is not None and old.seen.looks_like(seen):
            return old
        told = old is not None and old.told
        other = left.get(seen)
        if other is None:
            return _Followed(seen, now_ns, False, told)
        if not self._wanted(other):
            return _Followed(seen, now_ns - self._still_ns, False, told)
        known = before[other]
        return _Followed(seen, known.since_ns, known.settled, known.told)

    def _settled(self, now_ns: int) -> Iterator[Turned]:
        for name, file in (self._files or {}).items():
            if file.settled or not file.seen.size or not self._wanted(name):
                continue
            if now_ns - file.since_ns >= self._still_ns:
                yield Turned(name, "replaced" if file.told else "complete", file.seen.size)
                file.settled = file.told = True

    def _wanted(self, name: str) -> bool:
        if name.lower().endswith(UNFINISHED) or name.startswith("."):
            return False
        return fnmatchcase(name, self._pattern)
