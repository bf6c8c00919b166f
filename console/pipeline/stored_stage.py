"""One recorded source, from its records to rows: what a file's stage is, over a stored run."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from console.bench.model import Source
from console.pipeline.live_source import SourceFold
from console.pipeline.stored import RecordedRun
from console.sources.records import Record
from console.trust.unobserved import Unobserved
from decoders.errors import DiagnosticError
from decoders.messages.columns import Messages
from decoders.prints.columns import Prints
from decoders.prints.ticks import Jump


class RecordedStage:
    """Feed it the records of a port or broker; after `finish` it has the rows.

    Args:
        source: which.
        run: whose records they are.
    """

    stopped: DiagnosticError | None = None  # what is missing is told by the run
    bad_lines: Sequence[tuple[int, str]] = ()
    bad_count = 0

    def __init__(self, source: Source, run: RecordedRun) -> None:
        self._fold = SourceFold(source.name, source)
        self._run = run
        self._prints: list[Prints] = []
        self._messages: list[Messages] = []
        self.happenings: list[pl.DataFrame] = []  # on the host's clock

    def feed(self, records: Sequence[Record]) -> None:
        """Take the next records."""
        for record in records:
            self._fold.feed(record)
        self._take()

    def finish(self) -> None:
        """The run is over; feed nothing after this."""
        self._fold.release(self._run.end_ns)
        self._fold.finish()
        self._take()

    def _take(self) -> None:
        given = self._fold.take()
        if len(given.prints):
            self._prints.append(given.prints)
        if given.messages is not None:
            self._messages.append(given.messages)
        if given.happenings.height:
            self.happenings.append(given.happenings)

    @property
    def late_ns(self) -> int:
        """How much earlier than its time a row of it may have been."""
        return self._fold.band_ns

    def prints(self) -> Prints:
        """All lines, joined once."""
        self._prints = [Prints.concat(self._prints)]
        return self._prints[0]

    def columns(self) -> Messages:
        """All messages, joined once."""
        self._messages = [Messages.concat(self._messages)]
        return self._messages[0]

    def unobserved(self) -> Unobserved:
        """Where it was not observed, or what was recorded of it was not stored."""
        spans = self._fold.observed.spans()
        own = zip(spans.from_ns.tolist(), spans.until_ns.tolist(), strict=True)
        losses = self._run.losses
        lost = [(loss.from_ns, loss.until_ns) for loss in losses if loss.source == self._fold.name]
        return Unobserved.of([*own, *lost])

    @property
    def events(self) -> int:
        """Lines or messages so far."""
        return self._fold.events

    @property
    def assumed(self) -> list[str]:
        """What was assumed to read it."""
        return self._fold.decoder.remarks if self._prints else []

    @property
    def taste(self) -> bytes:
        """The first bytes of a port."""
        return self._fold.taste

    @property
    def jumps(self) -> list[Jump]:
        """Rollovers, restarts and clocks that were set, the first 1000 of each."""
        return [*self._fold.decoder.rollovers, *self._fold.decoder.resets]

    @property
    def tick_period_ns(self) -> int:
        """After what time the firmware's counter runs over; 0 when that is not known."""
        return self._fold.decoder.tick_period_ns
