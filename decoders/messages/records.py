"""The lines of a recording as JSON lines: in batches, read one by one where one is odd, counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple, TypeVar

from decoders.messages.instants import Instants
from decoders.messages.json_lines import BadLines, JsonLines
from decoders.messages.json_text import problem

_BATCH = 4096  # lines read together; one that is odd slows down its own batch only

Row = TypeVar("Row")


class Batch(NamedTuple):
    """Whole lines that follow each other."""

    lines: Sequence[bytes]
    number: int  # of the first of them, from 1


class RecordLines:
    """A fold from the bytes of a recording to batches of its lines, however the bytes are cut.

    A line that is no record is counted and passed over once a good one has been read. Memory is
    bounded by the chunk and one line of at most 8 MiB.

    Args:
        name: file name, for errors.
        mend: how to mend a recording whose first line is no good.

    Attributes:
        instants: reads the times of the records.
    """

    def __init__(self, name: str, mend: str) -> None:
        self.instants = Instants()
        self._lines = JsonLines(name)
        self._bad = BadLines(name, mend)

    @property
    def bad_lines(self) -> list[tuple[int, str]]:
        """The first bad lines: line number and what is wrong, at most 20."""
        return self._bad.first

    @property
    def bad_count(self) -> int:
        """How many lines were no record."""
        return self._bad.count

    @property
    def remarks(self) -> list[str]:
        """What was assumed about times, and which lines were passed over, for people."""
        return self.instants.remarks() + self._bad.remarks()

    def feed(self, chunk: bytes) -> Iterator[Batch]:
        """Take the next bytes; give the lines they complete."""
        number = self._lines.next_line
        return _batches(self._lines.feed(chunk), number)

    def finish(self) -> Iterator[Batch]:
        """Give the last line if it has no line feed."""
        number = self._lines.next_line
        return _batches(self._lines.finish(), number)

    def read(self, count: int) -> None:
        """Count lines that were read as records all at once."""
        self._bad.good += count

    def one_by_one(self, batch: Batch, row: Callable[[bytes, int], Row]) -> list[Row]:
        """The rows of a batch; blank lines are passed over, bad ones counted.

        Args:
            batch: the lines.
            row: reads one line, given with its number; a ValueError says what is wrong with it.

        Raises:
            RecordingError: if a line is bad and none before it was good.
        """
        rows: list[Row] = []
        for at, line in enumerate(batch.lines, batch.number):
            if not line or line.isspace():
                continue
            try:
                rows.append(row(line, at))
            except ValueError as error:
                self._bad.note(at, problem(line, error, last=self._lines.ended_open))
            else:
                self._bad.good += 1
        return rows

    def refuse_empty(self) -> None:
        """Raise RecordingError if no line was read, good or bad."""
        self._bad.refuse_empty()


def _batches(lines: Sequence[bytes], number: int) -> Iterator[Batch]:
    for begin in range(0, len(lines), _BATCH):
        yield Batch(lines[begin : begin + _BATCH], number + begin)
