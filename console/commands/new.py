"""`lastack new`: a starter bench file from recordings, or rules from a healthy run, to stdout."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import polars as pl

from console.bench.starter import (
    FoundAddress,
    FoundBus,
    FoundLine,
    FoundSource,
    FoundTopic,
    starter_text,
)
from console.commands.options import override_options
from console.commands.reading import read_bench, read_run, reading_code
from console.pipeline.evidence import Evidence, SourceReport
from console.run.schema import is_run
from console.sources.files import STDIN, STDIN_NAME
from console.timeline.links.passed_on import published_in
from console.watch.rule import Batch
from decoders.errors import DiagnosticError, Place

HELP = """Write a starter bench file from what the recordings hold.

\b
Examples:
  lastack new wire.csv controller.log broker.jsonl > bench.toml
  lastack new wire.vcd --i2c scl=ch1,sda=ch2 -o bench.toml
  lastack new --from soak -o rules.toml
  lastack new --from soak --between 00:05..01:00

It names the sources, the buses and other lines, every address that answered and the
topics seen; give the devices their names, describe their packets, and add rules.

With --from it proposes rules instead, learned from a run in which all was well:
how long something may stay away, how long an answer may take, between which
limits numbers stay. Each says what it rests on. Without --between it learns from
the whole run, or what came before its first fault.
"""


@click.command("new", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("paths", nargs=-1, metavar="[PATH...]")
@override_options
@click.option("--from", "learned_from", metavar="RUN", help="Propose rules learned from this.")
@click.option("--between", metavar="FROM..UNTIL", help="Of --from: the healthy span of it.")
@click.option("-o", "--output", metavar="FILE", default="-", help="Where to; stdout by default.")
def command(
    paths: Sequence[str],
    learned_from: str | None,
    between: str | None,
    output: str,
    debug: bool,
    **overrides: Any,
) -> int:
    """Run the command; see HELP."""
    if learned_from is not None:
        return _learn([learned_from, *paths], between, output, overrides)
    if between is not None:
        raise click.UsageError("--between says what to learn from: it needs --from RUN.")
    if not paths:
        raise click.UsageError("Missing argument 'PATH...': what to write a bench file for.")
    _refuse_runs(paths)
    evidence = read_run(paths, **overrides)
    folder = Path.cwd() if output == "-" else Path(output).resolve().parent
    _put(_starter(evidence, folder), output)
    return reading_code(evidence)


def _refuse_runs(paths: Sequence[str]) -> None:
    """A run has sources that are no files, and the bench file they were recorded by."""
    for path in paths:
        if path != STDIN and is_run(path):
            raise DiagnosticError(
                "a run needs no bench file: it was recorded by one",
                place=Place(path),
                mend=f"Learn rules from it with --from {path}.",
            )


def _put(text: str, output: str) -> None:
    if output == "-":
        click.echo(text.encode(), nl=False)  # a TOML file is UTF-8 in every locale
    else:
        _write_new(Path(output), text)


def _learn(
    paths: Sequence[str], between: str | None, output: str, overrides: dict[str, Any]
) -> int:
    """Propose rules learned from a run."""
    from console.bench.proposed import proposed_text
    from console.pipeline.proposing import Healthy, head_of, healthy_until_ns, proposals

    bench, evidence = read_bench(paths, **overrides)
    span = evidence.start_ns, healthy_until_ns(evidence)
    if between is not None:
        span = _between(between, evidence)
    healthy = Healthy.of(evidence, *span)
    _put(proposed_text(head_of(paths[0], evidence, healthy), proposals(bench, healthy)), output)
    return reading_code(evidence)


def _between(text: str, evidence: Evidence) -> tuple[int, int]:
    """The span that `FROM..UNTIL` names."""
    from console.timeline.finding.moments import Around, moment, walls_of

    around = Around(
        evidence.start_ns, evidence.end_ns, evidence.start_ns, walls=walls_of(evidence.clocks)
    )
    first, dots, last = text.partition("..")
    if not dots:
        raise DiagnosticError(
            f"--between: {text!r} is no span", mend="Write it as 00:05..01:00, from and until."
        )
    from_ns = moment(first, around) if first.strip() else evidence.start_ns
    until_ns = moment(last, around) if last.strip() else evidence.end_ns
    if from_ns >= until_ns:
        raise DiagnosticError(
            f"--between: {text!r} ends before it begins", mend="Give the earlier moment first."
        )
    return from_ns, until_ns


def _starter(evidence: Evidence, folder: Path) -> str:
    once = Batch(evidence.tables, 0, published=published_in(evidence.tables)).messages_once()
    topics = once.group_by("topic").len().sort("topic").rows()
    return starter_text(
        evidence.name.split(".")[0] or "bench",
        [_source(source, folder) for source in evidence.sources],
        _buses(evidence),
        [FoundTopic(topic, count) for topic, count in topics],
        [FoundLine(source.name, entry) for source in evidence.sources for entry in source.lines],
    )


def _source(source: SourceReport, folder: Path) -> FoundSource:
    if source.files[0] == STDIN_NAME:
        raise DiagnosticError(
            "standard input has no name a bench file could hold",
            mend="Save the recording to a file, and name that.",
        )
    path = os.path.relpath(source.files[0], folder)
    return FoundSource(source.name, source.kind, path, remarks=source.assumed)


def _buses(evidence: Evidence) -> list[FoundBus]:
    """The buses, each with the addresses seen on it."""
    seen = (
        evidence.tables["transactions"]
        .filter(pl.col("address").is_not_null())
        .group_by("bus", "address", "address_bits")
        .agg(count=pl.len(), answered=pl.col("address_acked").any())
        .sort("address")
    )
    return [
        FoundBus(
            bus.name,
            source.name,
            bus.scl,
            bus.sda,
            [
                FoundAddress(address, bits, count, answered)
                for _, address, bits, count, answered in seen.filter(bus=bus.name).rows()
            ],
            bus.why,
        )
        for source in evidence.sources
        for bus in source.buses
    ]


def _write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise DiagnosticError(
            "the file is there already", place=Place(str(path)), mend="Name another one with -o."
        ) from error
    except OSError as error:
        raise DiagnosticError(
            f"cannot be written: {error.strerror}",
            place=Place(str(path)),
            mend="Name another FILE.",
        ) from error
