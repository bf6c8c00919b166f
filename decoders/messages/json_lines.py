"""JSON lines: bytes to numbered lines, and the lines that are no good kept count of."""

from __future__ import annotations

from decoders.errors import Place, RecordingError

LINE_LIMIT_BYTES = 8 << 20
TOO_LONG = b"\0too long"  # stands for a line over the limit; compare by identity
_SHOWN = 20  # bad lines remembered with their reason

_UTF16_BOMS = (b"\xff\xfe", b"\xfe\xff")
_UTF8_BOM = b"\xef\xbb\xbf"


class JsonLines:
    """Cuts bytes into lines at LF; memory is bounded by the chunk and the line limit.

    Args:
        name: file name, for errors.
        limit_bytes: a longer line is not held; `TOO_LONG` stands for it.
    """

    def __init__(self, name: str, *, limit_bytes: int = LINE_LIMIT_BYTES) -> None:
        self._name = name
        self._limit = limit_bytes
        self._tail = bytearray()
        self._overflown = False
        self._head: bytes | None = b""  # the first bytes, until they can be told from a BOM
        self.next_line = 1  # number of the line that will be completed next
        self.ended_open = False  # whether the last line had no LF

    def feed(self, chunk: bytes) -> list[bytes]:
        """The lines this chunk completes, without LF; the first has number `next_line` before.

        Raises:
            RecordingError: if the text is UTF-16.
        """
        if self._head is not None:
            self._head += chunk
            if len(self._head) < 3 and self._head == _UTF8_BOM[: len(self._head)]:
                return []
            chunk, self._head = self._without_bom(self._head), None
        if b"\n" not in chunk:
            self._hold(chunk)
            return []
        first, *rest = chunk.split(b"\n")
        self._hold(first)
        lines = [self._release()]
        self._hold(rest.pop())
        lines += rest
        if any(len(line) > self._limit for line in rest):
            lines[1:] = [TOO_LONG if len(line) > self._limit else line for line in rest]
        self.next_line += len(lines)
        return lines

    def finish(self) -> list[bytes]:
        """The last line when it has no LF."""
        if self._head:
            self._hold(self._without_bom(self._head))
        self._head = None
        if not self._tail and not self._overflown:
            return []
        self.ended_open = True
        self.next_line += 1
        return [self._release()]

    def _without_bom(self, head: bytes) -> bytes:
        if head[:2] in _UTF16_BOMS:
            raise RecordingError(
                "this is UTF-16 text, not JSON lines in UTF-8",
                place=Place(self._name, line=1),
                mend="Save the recording as UTF-8.",
            )
        return head.removeprefix(_UTF8_BOM)

    def _hold(self, part: bytes) -> None:
        if self._overflown or len(self._tail) + len(part) > self._limit:
            self._overflown = True
            self._tail.clear()
        else:
            self._tail += part

    def _release(self) -> bytes:
        line = TOO_LONG if self._overflown else bytes(self._tail)
        self._tail.clear()
        self._overflown = False
        return line


class BadLines:
    """Lines that could not be read: the first few with the reason, all of them counted.

    Args:
        name: file name, for errors.
        mend: how to mend a recording whose first line is no good.
    """

    def __init__(self, name: str, mend: str) -> None:
        self._name = name
        self._mend = mend
        self.first: list[tuple[int, str]] = []  # (line number, what is wrong), at most 20
        self.count = 0
        self.good = 0  # lines that could be read

    def note(self, line: int, message: str) -> None:
        """Take note of a bad line.

        Raises:
            RecordingError: if nothing good came before: then the file is likely something else.
        """
        if not self.good:
            raise RecordingError(message, place=Place(self._name, line=line), mend=self._mend)
        self.count += 1
        if len(self.first) < _SHOWN:
            self.first.append((line, message))

    def refuse_empty(self) -> None:
        """Raise RecordingError if no line was read, good or bad."""
        if not self.good and not self.count:
            raise RecordingError(
                "nothing in it to read", place=Place(self._name, line=1), mend=self._mend
            )

    def remarks(self) -> list[str]:
        """How many lines were passed over and where the first ones stand."""
        if not self.count:
            return []
        where = ", ".join(f"line {line}: {message}" for line, message in self.first[:3])
        more = ", ..." if self.count > 3 else ""
        lines = "1 line was" if self.count == 1 else f"{self.count:,} lines were"
        return [f"{lines} passed over, which could not be read ({where}{more})"]
