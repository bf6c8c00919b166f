"""A recorded run as input: its bench, its sources, and the records of each in order.

All sources of one run share the recorder's clock, which is the common axis; captures that joined
the run have clocks of their own, and are aligned as any.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from console.bench.load import BenchFile
from console.bench.model import About, Bench, CaptureSource, MessagesSource, PrintsSource, Source
from console.run.bench_texts import bench_of
from console.run.rows import Loss, Session, StoredSource
from console.run.stored import StoredRun
from console.sources.files import FileError
from console.sources.records import Arrived, Chunk, Happened, Record
from decoders.errors import DiagnosticError, Place

CAPTURES = "captures"  # RUN/captures/SOURCE/FILE: what was exported while it was recorded
_BATCH = 16_384  # records decoded at once


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """What is known of a run before its records are read. Times on the host's clock."""

    path: Path
    name: str
    start_ns: int  # when recording began
    end_ns: int  # until when it is known what came
    sessions: Sequence[Session]
    sources: Sequence[StoredSource]
    losses: Sequence[Loss]
    happened: Sequence[Happened]  # to watched folders, whose captures are read as files
    trouble: DiagnosticError | None  # what is damaged

    @classmethod
    def opened(cls, path: str) -> tuple[RecordedRun, BenchFile]:
        """A run and the bench it was recorded by; one of nothing where it holds none.

        Raises:
            DiagnosticError: when it cannot be opened, or its bench is none for this version.
        """
        with StoredRun(path) as run:
            span = run.span_ns() or (0, 0)
            sources = run.sources()
            folders = {source.name for source in sources if source.kind == "capture"}
            found = cls(
                path=run.path.parent,
                name=run.name,
                start_ns=span[0],
                end_ns=span[1],
                sessions=run.sessions(),
                sources=[source for source in sources if source.kind != "capture"],
                losses=run.losses(),
                happened=[row for row in run.happenings() if row.source in folders],
                trouble=run.problems[0] if run.problems else None,
            )
            texts = run.texts()
        file = bench_of(texts, found.path)
        return found, file or BenchFile(Bench(about=About(name=found.name)))

    def bench_source(self, stored: StoredSource, bench: Bench) -> Source:
        """A source as the bench has it, or as it was recorded."""
        for source in bench.sources:
            if source.name == stored.name:
                return msgspec.structs.replace(source, path=None)
        if stored.kind == "messages":
            return MessagesSource(name=stored.name)
        return PrintsSource(name=stored.name)

    def captures_of(self, source: CaptureSource) -> list[Path]:
        """The captures of a watched folder that joined the run, by name."""
        folder = self.path / CAPTURES / folder_name(source.name)
        if not folder.is_dir():
            return []
        return sorted(each for each in folder.iterdir() if not each.name.startswith("."))


def folder_name(source: str) -> str:
    """A source's name as the name of a folder in the run."""
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in source).lstrip(".") or "_"


class RecordedFile:
    """The records of one source of a run, as a file of them; iterate it for batches.

    Args:
        run: whose.
        source: which; None: all sources, by time.
    """

    is_stdin = False

    def __init__(self, run: RecordedRun, source: StoredSource | None) -> None:
        self.run = run
        self.name = str(run.path)
        self.source = source
        self.read_bytes = 0  # of data and payloads: for progress
        self.total_bytes: int | None = None if source is None else source.bytes or None
        self.trouble: FileError | None = None

    def __iter__(self) -> Iterator[list[Record]]:
        batch: list[Record] = []
        for record in self.records():
            batch.append(record)
            if isinstance(record, Chunk):
                self.read_bytes += len(record.data)
            elif isinstance(record, Arrived):
                self.read_bytes += len(record.payload)
            if len(batch) >= _BATCH:
                yield batch
                batch = []
        yield batch

    def records(self) -> Iterator[Record]:
        """One by one; what a session that was killed left open is closed where it ended."""
        with StoredRun(self.run.path) as stored:
            records = stored.records(None if self.source is None else self.source.name)
            yield from with_ends(records, self.run.sessions)

    def close(self) -> None:
        """Nothing is open but while it is iterated."""

    def __enter__(self) -> RecordedFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def with_ends(records: Iterable[Record], sessions: Sequence[Session]) -> Iterator[Record]:
    """The records, and where a session ended without a word, that its sources were closed.

    Args:
        records: by time.
        sessions: of the run, in order.
    """
    ends = [session.ended_ns or session.alive_ns for session in sessions[:-1]]
    begins = [session.started_ns for session in sessions[1:]]
    at, last_ns = 0, 0
    is_open: dict[str, None] = {}
    for record in records:
        while at < len(begins) and record.t_ns >= begins[at]:
            end_ns = min(max(ends[at], last_ns), record.t_ns)
            for source in is_open:
                yield Happened(source, end_ns, "closed", "recording ended")
            is_open.clear()
            at += 1
        yield record
        last_ns = record.t_ns
        if isinstance(record, Happened) and record.what in ("closed", "refused", "retry"):
            is_open.pop(record.source, None)
        elif not isinstance(record, Happened) or record.what == "opened":
            is_open[record.source] = None


def damaged(run: RecordedRun) -> FileError | None:
    """What is damaged of a run, as the trouble of a file."""
    if run.trouble is None:
        return None
    return FileError(run.trouble.message, place=Place(str(run.path)), mend=run.trouble.mend)
