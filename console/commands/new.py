"""`lastack new`: a starter bench file from recordings, to stdout."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import polars as pl

from console.bench.starter import FoundAddress, FoundBus, FoundSource, FoundTopic, starter_text
from console.commands.options import run_options
from console.commands.reading import read_run, reading_code
from console.pipeline.evidence import Evidence, SourceReport
from console.sources.files import STDIN_NAME
from decoders.errors import DiagnosticError, Place

HELP = """Write a starter bench file from what the recordings hold.

\b
Examples:
  lastack new wire.csv controller.log broker.jsonl > bench.toml
  lastack new wire.vcd --i2c scl=ch1,sda=ch2 -o bench.toml

It names the sources, the buses, every address that answered and the topics seen;
give the devices their names, describe their packets, and add rules.
"""


@click.command("new", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@run_options
@click.option("-o", "--output", metavar="FILE", default="-", help="Where to; stdout by default.")
def command(paths: Sequence[str], output: str, debug: bool, **overrides: Any) -> int:
    """Run the command; see HELP."""
    evidence = read_run(paths, **overrides)
    folder = Path.cwd() if output == "-" else Path(output).resolve().parent
    text = _starter(evidence, folder)
    if output == "-":
        click.echo(text.encode(), nl=False)  # a TOML file is UTF-8 in every locale
    else:
        _write_new(Path(output), text)
    return reading_code(evidence)


def _starter(evidence: Evidence, folder: Path) -> str:
    topics = evidence.tables["messages"].group_by("topic").len().sort("topic").rows()
    return starter_text(
        evidence.name.split(".")[0] or "bench",
        [_source(source, folder) for source in evidence.sources],
        _buses(evidence),
        [FoundTopic(topic, count) for topic, count in topics],
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
