"""Serial bytes to prints: the fold over lines, stamps, levels and firmware time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from decoders.errors import Place, RecordingError
from decoders.prints.block import Block
from decoders.prints.columns import NO_PRINTS, NO_TIME, Prints
from decoders.prints.lines import Arrivals, ArrivalTimes, LineCutter
from decoders.prints.matched import Matcher
from decoders.prints.pattern import LinePattern
from decoders.prints.remarks import counted, line_remarks, time_remarks
from decoders.prints.stamps import PLAIN, UNSTAMPED, Form, StampChooser
from decoders.prints.ticks import Jump, Ticks

_BLOCK_BYTES = 1 << 20  # worked through at a time; larger ones fall out of the caches
_WINDOWS = 16  # heads of 64 lines looked at before a log passes for one without stamps


class PrintDecoder:
    r"""A fold from the raw bytes of a serial log to prints, however the bytes are cut.

    Without a line pattern the form of the stamps is decided from the first lines: up to 64 of them
    are held back until then. A stamp that steps back is held back until the next one tells what it
    was, at most for 64 lines. Memory is bounded by the chunk and lines of at most 64 KiB.

    Args:
        name: file name, for errors and remarks.
        line: line pattern with named groups s, ms, us, ns, time, level, text; other groups become
            fields. Several number groups add up (`(?P<s>\d+)\.(?P<ms>\d{3})`).
        tick_bits: width of the firmware's counter in the unit of the stamp's last digit.
        live: whether a source that prints nothing is no error.

    Raises:
        DescriptionError: if the line pattern is wrong.
        ValueError: if the width is none.
    """

    def __init__(
        self,
        name: str,
        *,
        line: str | None = None,
        tick_bits: int | None = None,
        live: bool = False,
    ) -> None:
        if tick_bits is not None and not 8 <= tick_bits <= 64:
            raise ValueError(f"tick_bits is {tick_bits}, not 8 to 64")
        self.name = name
        self._live = live
        self._tick_bits = tick_bits
        self._cutter = LineCutter()
        self._ticks = Ticks(tick_bits)
        self._matcher = Matcher(LinePattern(line)) if line is not None else None
        self._plain = Matcher(LinePattern(PLAIN.pattern))
        self._chooser = StampChooser()
        self._choice: list[str] = []  # remarks on the form of the stamps
        self._windows = 0
        self._window: list[Block] = []  # lines looked at, the form of their stamps not yet decided
        self._held = NO_PRINTS  # prints whose time is not settled
        self._rows = 0  # prints given out
        self._damaged = 0

    @property
    def rollovers(self) -> list[Jump]:
        """The first 1000 rollovers of the firmware's counter."""
        return self._ticks.rollovers

    @property
    def resets(self) -> list[Jump]:
        """The first 1000 places where a new epoch begins: restarts, and clocks that were set."""
        return self._ticks.restarts

    @property
    def is_decided(self) -> bool:
        """Whether the form of the stamps is known, so that no line waits for it."""
        return self._matcher is not None

    @property
    def looked_ahead(self) -> int:
        """How often a stamp was judged by the one after it, or held back to be."""
        return self._ticks.looked_ahead

    @property
    def tick_period_ns(self) -> int:
        """After what time the firmware's counter runs over; 0 when that is not known."""
        return self._ticks.period_ns

    @property
    def remarks(self) -> list[str]:
        """What was assumed and noticed so far, for people."""
        matcher = self._matcher or self._plain
        said = list(self._choice)
        if not said and self._rows and self._matcher is None:
            said.append(UNSTAMPED)
        if self._matcher and not self._choice and self._matcher.unmatched:
            said.append(f"not matched by the line pattern: {counted(self._matcher.unmatched)}")
        said += line_remarks(self._cutter, self._damaged, self._rows)
        return said + time_remarks(self._ticks, self._tick_bits, zoneless=matcher.zoneless)

    def feed(self, chunk: bytes, arrival_ns: int | None = None) -> Prints:
        """Take the next bytes; return the prints they complete.

        Args:
            chunk: bytes as they came from the port.
            arrival_ns: when the host had them, on a clock of the caller's; None when not known.
        """
        return self.feed_parts(chunk, Arrivals.at(arrival_ns))

    def feed_parts(self, chunk: bytes, arrivals: ArrivalTimes) -> Prints:
        """As `feed`, for many parts of the stream at once, each with its host stamp."""
        parts: list[Prints] = []
        for begin in range(0, len(chunk), _BLOCK_BYTES):
            block = chunk[begin : begin + _BLOCK_BYTES]
            lines = self._cutter.feed(block, arrivals.after(begin))
            if len(lines):
                parts.extend(self._take(Block.of(lines)))
        return self._settle(parts, final=False)

    def flush(self) -> Prints:
        """Give out what is held back: for a live port that has been silent for a while.

        The form of the stamps is decided from what there is; a line without its ending stays.
        """
        return self._settle(list(self._decide(may_wait=True)), final=True)

    def interrupt(self) -> Prints:
        """Give out everything: the port was closed, and what comes next begins a line."""
        rest = self._cut()
        self._cutter.begin()
        return rest

    @property
    def held_since_ns(self) -> int | None:
        """Host stamp of the first thing that is not given out yet; None where nothing is held."""
        since = [t for t in (self._lines_since(), self._cutter.tail_arrival_ns) if t is not None]
        return min(since, default=None)

    def release(self, before_ns: int) -> Prints:
        """Give out what the host has had for a while, for a live port.

        A line without its ending is given as it is (what follows of it is a piece of its own), and
        what is held back as by `flush`. What is given, and how, depends on the host's stamps alone:
        a call more or less between two chunks changes nothing.

        Args:
            before_ns: what came then or earlier is to be given; not earlier than in the last call.
        """
        given: list[Prints] = []
        while (due := self._due(before_ns)) is not None:
            given.append(self._cut() if due else self.flush())
        return Prints.concat(given)

    def _due(self, before_ns: int) -> bool | None:
        """What came first: True for the line begun, False for what is held, None for neither."""
        since, tail = self._lines_since(), self._cutter.tail_arrival_ns
        if since is not None and since <= before_ns and (tail is None or since <= tail):
            return False
        return True if tail is not None and tail <= before_ns else None

    def _lines_since(self) -> int | None:
        """Host stamp of the first whole line that is held back."""
        held = [self._held.arrival_ns] + [block.lines.arrival_ns for block in self._window]
        since = next((int(stamps[0]) for stamps in held if len(stamps)), NO_TIME)
        return None if since == NO_TIME else since

    def _cut(self) -> Prints:
        lines = self._cutter.cut()
        parts = list(self._take(Block.of(lines))) if len(lines) else []
        return self._settle([*parts, *self._decide(may_wait=True)], final=True)

    def finish(self) -> Prints:
        """Return what was left; feed nothing after this.

        Raises:
            RecordingError: if there was nothing at all and the source is not live.
        """
        if not self._cutter.bytes_seen and not self._live:
            raise RecordingError(
                "nothing in it to read",
                place=Place(self.name, line=1),
                mend="A serial log is the bytes as they came from the port.",
            )
        lines = self._cutter.finish()
        parts = list(self._take(Block.of(lines))) if len(lines) else []
        parts.extend(self._decide())
        return self._settle(parts, final=True)

    def _take(self, block: Block) -> Iterator[Prints]:
        """Take lines apart, looking for the form of their stamps until it is decided."""
        at = 0
        while self._matcher is None and at < len(block):
            end, enough = self._chooser.look(block, at)
            self._window.append(block.rows(at, end))
            at = end
            if enough:
                yield from self._decide()
        if self._matcher is not None and at < len(block):
            yield self._matcher.take_apart(block.rows(at, len(block)))

    def _decide(self, *, may_wait: bool = False) -> Iterator[Prints]:
        """Decide the form of the stamps from the window, and take the window's lines apart.

        Where that may wait for more lines and only the unit is a guess, these lines have no stamp.
        """
        if not self._window:
            return
        form, remarks = self._chooser.decide()
        self._windows += 1
        if may_wait and self._chooser.is_guess and self._windows < _WINDOWS:
            yield from self._without_stamps(form)
            return
        matcher = self._plain
        if form is not PLAIN or self._windows >= _WINDOWS:
            levelled = LinePattern(form.levelled) if form is not PLAIN else None
            matcher = self._matcher = Matcher(LinePattern(form.pattern), levelled)
            self._choice = remarks
        self._chooser = StampChooser()
        for block in self._window:
            yield matcher.take_apart(block)
        self._window.clear()

    def _without_stamps(self, form: Form) -> Iterator[Prints]:
        """The window's lines by a form whose unit is not known yet."""
        matcher = Matcher(LinePattern(form.pattern), LinePattern(form.levelled))
        for block in self._window:
            rows = matcher.take_apart(block)
            clock = np.zeros_like(rows.clock)
            yield replace(rows, native_ns=np.full(len(rows), NO_TIME), clock=clock)
        self._window.clear()

    def _settle(self, parts: Sequence[Prints], *, final: bool) -> Prints:
        """Put the time of prints straight; hold back those it cannot be told of yet."""
        if not parts and not len(self._held):
            return NO_PRINTS
        table = Prints.concat([self._held, *parts])
        stamps = np.flatnonzero(table.stamped)
        if self._matcher and len(stamps):
            self._ticks.begin(self._matcher.clock, self._matcher.unit_ns)
        epoch_before = self._ticks.epoch
        resolved = self._ticks.feed(
            stamps + self._rows,
            table.native_ns[stamps],
            table.arrival_ns[stamps],
            self._rows + len(table),
            final=final,
        )
        end = len(table) if resolved.count == len(stamps) else int(stamps[resolved.count])
        stamps = stamps[: resolved.count]
        native_ns, clock = table.native_ns.copy(), table.clock.copy()
        native_ns[stamps] = np.where(resolved.believed, resolved.native_ns, NO_TIME)
        clock[stamps[~resolved.believed]] = 0
        epochs = np.concatenate(([epoch_before], resolved.epoch)).astype(np.int32)
        epoch = epochs[np.searchsorted(stamps, np.arange(len(table)), side="right")]
        self._held = table.rows(end, len(table))
        out = replace(table, native_ns=native_ns, clock=clock, epoch=epoch).rows(0, end)
        self._rows += end
        self._damaged += int(np.count_nonzero(out.damaged))
        return out
