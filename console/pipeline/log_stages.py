"""One serial log, or one recording of messages, from file bytes to columns: folds over chunks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sized
from typing import Generic, Protocol, TypeVar

from decoders.errors import DiagnosticError
from decoders.messages.columns import Messages
from decoders.messages.recording import MessageDecoder
from decoders.prints.columns import Prints
from decoders.prints.prints import PrintDecoder
from decoders.prints.recording import SerialRecordingDecoder
from decoders.prints.ticks import Jump

TASTE_BYTES = 1 << 16  # of a log, to learn what stands before the text of its lines


Rows = TypeVar("Rows", bound=Sized)
Given_co = TypeVar("Given_co", covariant=True)


class _Decoder(Protocol[Given_co]):
    """What both kinds of decoder have in common."""

    @property
    def remarks(self) -> list[str]: ...
    def feed(self, chunk: bytes, /) -> Given_co: ...
    def finish(self) -> Given_co: ...


class _LogStage(Generic[Rows]):
    """A decoder, and what it has given so far."""

    def __init__(self, decoder: _Decoder[Rows], concat: Callable[[Iterable[Rows]], Rows]) -> None:
        self._fold = decoder
        self._concat = concat
        self._parts: list[Rows] = []

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes of the file."""
        self._keep(self._fold.feed(chunk))

    def finish(self) -> None:
        """Take what was left; feed nothing after this."""
        self._keep(self._fold.finish())

    def _keep(self, part: Rows) -> None:
        if len(part):
            self._parts.append(part)

    @property
    def events(self) -> int:
        """How many there are so far."""
        return sum(map(len, self._parts))

    @property
    def assumed(self) -> list[str]:
        """What was assumed to read it, and which lines were passed over."""
        return self._fold.remarks

    @property
    def stopped(self) -> DiagnosticError | None:
        """A log is never given up: damage is marked, and bad lines counted, one by one."""
        return None

    def columns(self) -> Rows:
        """All rows; after `finish`. They are joined once, however often they are asked for."""
        self._parts = [self._concat(self._parts)]
        return self._parts[0]


class PrintStage(_LogStage[Prints]):
    """Feed it the bytes of a serial log, raw or as JSON lines; `columns` has the lines."""

    def __init__(
        self, name: str, *, line: str | None, tick_bits: int | None, is_json: bool
    ) -> None:
        decoder = SerialRecordingDecoder if is_json else PrintDecoder
        self._decoder = decoder(name, line=line, tick_bits=tick_bits)
        super().__init__(self._decoder, Prints.concat)
        self._tastes = not is_json
        self.taste = b""  # the first bytes of a raw log

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes of the file."""
        if self._tastes and len(self.taste) < TASTE_BYTES:
            self.taste += chunk[: TASTE_BYTES - len(self.taste)]
        super().feed(chunk)

    @property
    def jumps(self) -> list[Jump]:
        """Rollovers, restarts and clocks that were set, the first 1000 of each."""
        return [*self._decoder.rollovers, *self._decoder.resets]

    @property
    def tick_period_ns(self) -> int:
        """After what time the firmware's counter runs over; 0 when that is not known."""
        return self._decoder.tick_period_ns


class MessageStage(_LogStage[Messages]):
    """Feed it a recording of messages; after `finish`, `columns` has them."""

    def __init__(self, name: str) -> None:
        self._decoder = MessageDecoder(name)
        super().__init__(self._decoder, Messages.concat)

    @property
    def bad_lines(self) -> list[tuple[int, str]]:
        """The first lines that were no message: line number and what is wrong."""
        return self._decoder.bad_lines

    @property
    def bad_count(self) -> int:
        """How many lines were no message."""
        return self._decoder.bad_count
