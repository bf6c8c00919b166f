"""`lastack export`: one table of a run, to stdout or a file."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
import polars as pl

from console.bench.model import Bench
from console.commands.options import run_options
from console.commands.reading import read_bench, reading_code
from console.diagnosis.hops.chains import chains_of
from console.diagnosis.hops.hops import hops_of
from console.pipeline.evidence import Evidence
from console.pipeline.linking import linked
from console.pipeline.tables import TABLES, chosen_rows
from console.pipeline.telling import episodes_table
from console.report.export import FORMATS, write_table
from console.timeline.links.table import with_names
from console.timeline.numbers.step_tables import steps_frame
from console.timeline.parties import parties_of
from decoders.errors import DiagnosticError, Place

# Asked for by name, these are found then and not before.
LINKS, HOPS, CHAINS, EPISODES = "links", "hops", "chains", "episodes"
STEPS = "steps"
EVERY = (*TABLES, LINKS, HOPS, CHAINS, EPISODES, STEPS)

HELP = """Write one table of a run as jsonl, csv or parquet.

\b
Examples:
  lastack export bench.toml --table transactions --format csv
  lastack export wire.csv --table transactions --where "not address_acked"
  lastack export bench.toml --table exchanges --format parquet -o exchanges.parquet
  lastack export bench.toml --table links --where "outcome <> 'seen'"
  lastack export bench.toml --table hops --format csv
  lastack export bench.toml --table chains --where "outcome = 'lost'"
  lastack export bench.toml --table episodes --where "failed"

--where is an SQL condition over the table's columns. Every *_ns is on the common
axis unless named native_ns. In csv, control characters of texts are shown as
signs; jsonl and parquet hold them exactly.
"""


@click.command("export", help=HELP, context_settings={"help_option_names": ["-h", "--help"]})
@run_options
@click.option("--table", type=click.Choice(EVERY), required=True, help="Which table.")
@click.option("--format", "form", type=click.Choice(FORMATS), default="jsonl", show_default=True)
@click.option("--where", metavar="SQL", help="Only rows for which this holds.")
@click.option("-o", "--output", metavar="FILE", default="-", help="Where to; stdout by default.")
def command(
    paths: Sequence[str],
    table: str,
    form: str,
    where: str | None,
    output: str,
    debug: bool,
    **overrides: Any,
) -> int:
    """Run the command; see HELP."""
    bench, evidence = read_bench(paths, keep_edges=table == EPISODES, **overrides)
    rows = chosen_rows(_table(bench, evidence, table), table, where)
    if output == "-":
        if form == "parquet" and sys.stdout.isatty():
            raise DiagnosticError(
                "parquet is not for a terminal", mend="Name a file with -o FILE, or use jsonl."
            )
        write_table(rows, form, sys.stdout.buffer)
    else:
        _write_file(rows, form, Path(output))
    return reading_code(evidence)


def _table(bench: Bench, evidence: Evidence, name: str) -> pl.DataFrame:
    if name in (LINKS, HOPS, CHAINS):
        return _joined(bench, evidence, name)
    if name == STEPS:
        return steps_frame(evidence.tables)
    if name == EPISODES:
        return episodes_table(evidence, bench)
    return evidence.tables[name]


def _joined(bench: Bench, evidence: Evidence, name: str) -> pl.DataFrame:
    """The table of links, or what they come to, parties by name; it alone waits for them."""
    parties = parties_of(evidence.tables, bench)
    links = linked(evidence, parties)
    if name == HOPS:
        return with_names(hops_of(evidence.tables, links), parties)
    if name == CHAINS:
        return with_names(chains_of(evidence.tables, links), parties)
    return with_names(links, parties)


def _write_file(rows: pl.DataFrame, form: str, path: Path) -> None:
    """Write beside the file and rename, so that it is whole or not there.

    What is no plain file (a device, a named pipe) is written to and never replaced.
    """
    try:
        if path.exists() and not path.is_file():
            with path.open("wb") as out:
                write_table(rows, form, out)
            return
        beside = path.with_name(f".{path.name}.{os.getpid()}")
        try:
            with beside.open("xb") as out:
                write_table(rows, form, out)
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except (OSError, ValueError) as error:  # ValueError: a name no file can have
        reason = error.strerror if isinstance(error, OSError) else error
        raise DiagnosticError(
            f"cannot be written: {reason}",
            place=Place(str(path)),
            mend="Choose another FILE.",
        ) from error
