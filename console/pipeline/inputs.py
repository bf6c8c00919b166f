"""What the user named, settled: one bench, and a file for every source of it.

A bench file names its sources; loose files become sources of a bench of their own, their kind told
by content and their name by the file's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePath

import msgspec

from console.bench.load import BenchFile, load_rules, read_bench
from console.bench.model import (
    About,
    Bench,
    CaptureSource,
    MessagesSource,
    NetworkSource,
    PrintsSource,
    Source,
)
from console.pipeline.evidence import SourceKind
from console.pipeline.stored import RecordedFile, RecordedRun, damaged
from console.pipeline.told_lines import with_buses, with_lines_of, with_spis
from console.run.rows import StoredSource
from console.run.schema import is_run
from console.sources.files import STDIN, FileError, SourceFile
from console.sources.kinds import Kind, kind_of
from decoders.durations import duration_ns
from decoders.errors import DescriptionError, DiagnosticError, Place
from decoders.packets.layout import PacketSet
from decoders.packets.resolve import read_packets

CAPTURES = (Kind.CAPTURE_VCD, Kind.CAPTURE_DELIMITED)
KINDS: dict[Kind, SourceKind] = {  # kind of content -> the bench file's word for such a source
    Kind.CAPTURE_VCD: "capture",
    Kind.CAPTURE_DELIMITED: "capture",
    Kind.PRINTS: "prints",
    Kind.PRINTS_JSON: "prints",
    Kind.MESSAGES: "messages",
    Kind.NETWORK_PCAP: "network",
    Kind.NETWORK_PCAPNG: "network",
}


@dataclass(frozen=True, slots=True)
class Overrides:
    """What the command line says beside the paths."""

    i2c: Sequence[str] = ()  # scl=NAME,sda=NAME
    spi: Sequence[str] = ()  # sck=NAME,mosi=NAME,miso=NAME,cs=NAME
    clock: Sequence[str] = ()  # SOURCE=+12.5s
    packets: str | None = None  # FILE
    rules: str | None = None
    threshold: float | None = None
    rate: float | None = None


@dataclass(slots=True)
class Input:
    """One source and the file its bytes come from."""

    source: Source
    kind: Kind
    file: SourceFile | RecordedFile


@dataclass(slots=True)
class Inputs:
    """Everything to be read, and what the user said about it."""

    file: BenchFile  # the bench, and the packet descriptions of its devices
    inputs: list[Input]
    declared: dict[str, tuple[int, float]]  # source -> offset (ns) and drift (ppm) of its clock
    loose_packets: PacketSet | None  # of a device that is found by what it says
    run: RecordedRun | None = None  # whose sources are among them

    @property
    def bench(self) -> Bench:
        """The bench, with every override taken in."""
        return self.file.bench

    def close(self) -> None:
        """Close every file."""
        for each in self.inputs:
            each.file.close()


def settled(
    paths: Sequence[str], overrides: Overrides, stop: Callable[[], bool] | None = None
) -> Inputs:
    """Open every path and settle what it is.

    Args:
        paths: a bench file, a recorded run (its folder), loose recordings; the bench file, where
            there is one, stands for the run's own.
        overrides: what is said beside them.
        stop: asked while a pipe has nothing to read; when it says so, that is its end.

    Raises:
        DiagnosticError: a path that cannot be read, is of no kind known here, or contradicts the
            bench file; an override that cannot be meant. Then no file stays open.
    """
    opener = _Opener(stop)
    try:
        return _settled(paths, overrides, opener)
    except BaseException:
        opener.close()
        raise


class _Opener:
    """Opens files, and can close all of them."""

    def __init__(self, stop: Callable[[], bool] | None) -> None:
        self._stop = stop
        self._opened: list[SourceFile] = []

    def open(self, path: str) -> SourceFile:
        self._opened.append(SourceFile(path, stop=self._stop))
        return self._opened[-1]

    def close(self) -> None:
        for file in self._opened:
            file.close()


def _settled(paths: Sequence[str], overrides: Overrides, opener: _Opener) -> Inputs:
    _check_once(paths)
    run, file = _run_among(paths)
    loose: list[tuple[Kind, SourceFile]] = []
    bench_path: str | None = None
    for path in paths:
        if run is not None and is_run(path):
            continue
        opened = opener.open(path)
        told = kind_of(opened.head(), opened.name)
        if told.kind is Kind.BENCH:
            opened.close()
            if bench_path is not None:
                raise DiagnosticError(
                    f"a second bench file; the first is {bench_path}",
                    place=Place(path),
                    mend="One run has one bench: give one bench file, or merge them.",
                )
            bench_path, file = path, read_bench(path)
        elif told.kind is Kind.UNREADABLE:
            raise _of_no_kind(opened, told.why)
        else:
            loose.append((told.kind, opened))
    if run is not None:
        file, inputs = _recorded(run, file, opener)
    else:
        inputs = [_declared(s, file.paths_at.get(s.name), opener) for s in file.bench.sources]
    for kind, opened in loose:
        taken = {each.source.name for each in inputs}
        inputs.append(Input(_named(kind, _free_name(opened, taken)), kind, opened))
    if not inputs:
        raise DiagnosticError(
            "the bench file names no source that is a file" if run is None else "nothing is in it",
            place=Place(paths[0]),
            mend='Add a [[source]] with name, kind and path, such as path = "wire.csv".'
            if run is None
            else "It was made and never recorded into; record again.",
        )
    inputs = [replace(each, source=_with_levels(each.source, overrides)) for each in inputs]
    capture = next((each.source.name for each in inputs if each.kind in CAPTURES), None)
    bench = with_spis(with_buses(file.bench, overrides.i2c, capture), overrides.spi, capture)
    bench = msgspec.structs.replace(bench, sources=[each.source for each in inputs])
    if overrides.rules:
        rules = load_rules(_content(overrides.rules), overrides.rules, bench)
        bench = msgspec.structs.replace(bench, rules=rules)
    packets = None
    if overrides.packets:
        packets = read_packets(_content(overrides.packets), overrides.packets)
    clocks = _declared_clocks(bench, overrides, [] if run is None else run.sources)
    return Inputs(replace(file, bench=bench), inputs, clocks, packets, run)


def _run_among(paths: Sequence[str]) -> tuple[RecordedRun | None, BenchFile]:
    """The recorded run among the paths with its bench; of loose files an empty bench."""
    runs = [path for path in paths if path != STDIN and is_run(path)]
    if not runs:
        return None, BenchFile(Bench(about=About(name=_run_name(paths))))
    if len(runs) > 1:
        raise DiagnosticError(
            f"a second run; the first is {runs[0]}",
            place=Place(runs[1]),
            mend="Give one run; `lastack check` takes several, each by itself.",
        )
    return RecordedRun.opened(runs[0])


def _recorded(run: RecordedRun, file: BenchFile, opener: _Opener) -> tuple[BenchFile, list[Input]]:
    """The sources of a run: its records, and the captures that joined it.

    A capture stands for the folder it was exported into; of more than one the others are sources
    of their own, with the same buses.
    """
    bench, inputs = file.bench, []
    for stored in run.sources:
        source = run.bench_source(stored, bench)
        kind = Kind.MESSAGES if isinstance(source, MessagesSource) else Kind.PRINTS
        inputs.append(Input(source, kind, RecordedFile(run, stored)))
    if inputs:
        inputs[0].file.trouble = damaged(run)
    copies: list[tuple[str, str]] = []  # of a folder, the source of a further capture
    for folder in bench.sources:
        if not isinstance(folder, CaptureSource):
            continue
        for k, path in enumerate(run.captures_of(folder)):
            name = folder.name if not k else f"{folder.name}-{k + 1}"
            source = msgspec.structs.replace(folder, name=name, path=str(path))
            inputs.append(_declared(source, None, opener))
            if k:
                copies.append((folder.name, name))
    bench = with_lines_of(bench, copies)
    axis = next((each.source.name for each in inputs if isinstance(each.file, RecordedFile)), None)
    about = msgspec.structs.replace(bench.about, axis=axis)
    return replace(file, bench=msgspec.structs.replace(bench, about=about)), inputs


def _check_once(paths: Sequence[str]) -> None:
    """A file read twice would stand beside itself as another source."""
    for k, path in enumerate(paths):
        if path in paths[:k]:
            name = "standard input (-)" if path == STDIN else path
            raise DiagnosticError(f"{name} is given twice", mend="Give each recording once.")


def _of_no_kind(file: SourceFile, why: str) -> DiagnosticError:
    if file.trouble is not None:
        mend = "Copy or export the file again."
        return DiagnosticError(file.trouble.message, place=Place(file.name), mend=mend)
    return DiagnosticError(
        f"not a kind of evidence: {why}",
        place=Place(file.name),
        mend="Give level captures (delimited text or VCD), serial logs, MQTT messages as JSON "
        "lines, network captures (pcap or pcapng), or a bench file.",
    )


def _content(path: str) -> bytes:
    """The whole of a small file."""
    with SourceFile(path) as file:
        return b"".join(file)


def _run_name(paths: Sequence[str]) -> str:
    return "stdin" if paths[0] == STDIN else PurePath(paths[0]).name


def _declared(source: Source, named_at: Place | None, opener: _Opener) -> Input:
    """A source of the bench file with its file; its content must be what the file says it is."""
    if source.path is None:
        raise DiagnosticError(
            f"source '{source.name}' has no path: it is for recording",
            mend="Give it a path to a recording, or take it out.",
        )
    try:
        file = opener.open(source.path)
        told = kind_of(file.head(), file.name)
    except FileError as error:
        what = f"source '{source.name}': {source.path}: {error.message}"
        raise DescriptionError(what, place=named_at, mend=error.mend) from error
    wanted = source.__struct_config__.tag
    if KINDS.get(told.kind) != wanted:
        raise DiagnosticError(
            f"source '{source.name}' is declared as {wanted}, but {told.why} ({file.name})",
            place=named_at or Place(file.name),
            mend="Correct its kind or its path.",
        )
    return Input(source, told.kind, file)


def _named(kind: Kind, name: str) -> Source:
    if kind in CAPTURES:
        return CaptureSource(name=name)
    if KINDS[kind] == "network":
        return NetworkSource(name=name)
    return MessagesSource(name=name) if kind is Kind.MESSAGES else PrintsSource(name=name)


def _free_name(file: SourceFile, taken: set[str]) -> str:
    """The file's name up to its first dot; numbered when two files share it."""
    stem = "stdin" if file.is_stdin else Path(file.name).name.lstrip(".").split(".")[0]
    stem = stem or "source"
    names = [stem, *(f"{stem}-{k}" for k in range(2, len(taken) + 2))]
    return next(name for name in names if name not in taken)


def _with_levels(source: Source, overrides: Overrides) -> Source:
    if not isinstance(source, CaptureSource):
        return source
    return msgspec.structs.replace(
        source,
        threshold_volts=_first(overrides.threshold, source.threshold_volts),
        sample_rate_hz=_first(overrides.rate, source.sample_rate_hz),
    )


def _first(stated: float | None, other: float | None) -> float | None:
    return other if stated is None else stated


def _declared_clocks(
    bench: Bench, overrides: Overrides, recorded: Iterable[StoredSource]
) -> dict[str, tuple[int, float]]:
    """Offsets and drifts from the bench file, then offsets from `--clock`.

    What one recorder stamped shares its clock, whatever offset the source's own has.
    """
    found = {s.name: (s.offset_ns, s.drift_ppm) for s in bench.sources if s.offset_ns is not None}
    found |= {source.name: (0, 0.0) for source in recorded}
    for text in overrides.clock:
        name, equals, offset = text.partition("=")
        names = [source.name for source in bench.sources]
        if not equals or name not in names:
            raise DescriptionError(
                f"--clock: '{text}' names no source",
                mend=f"Write it as SOURCE=+12.5s. Sources: {', '.join(names)}.",
            )
        try:
            found[name] = (duration_ns(offset, signed=True), 0.0)
        except ValueError as error:
            raise DescriptionError(
                f"--clock: offset of '{name}' {error}", mend="Write it as SOURCE=+12.5s."
            ) from error
    return found
