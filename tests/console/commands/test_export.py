"""`lastack export`: one table, in three formats."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import polars as pl
import pytest

Lastack = Callable[..., "CompletedProcess[str]"]

# The columns the design fixes, in its order.
COLUMNS = {
    "transactions": "start_ns end_ns source bus address address_bits read address_acked data acks"
    " started_by ended_by problems",
    "packets": "start_ns end_ns bus device packet direction valid problems fields",
    "exchanges": "request_ns reply_ns device request reply outcome latency_ns",
    "prints": "t_ns source native_ns level text damaged",
    "messages": "t_ns source client direction topic payload qos retain duplicate fields",
    "line_states": "start_ns end_ns source bus state",
    "clocks": "source clock from_ns until_ns offset_ns drift_ppm band_ns anchors rejected method"
    " ambiguous",
    "findings": "t_ns rule severity party source summary evidence",
    "links": "from_ns to_ns from_table from_row to_table to_row from_party to_party latency_ns by"
    " outcome band_ns ambiguous what",
    "episodes": "last_good_ns first_bad_ns until_ns device source bus address address_bits how"
    " failed recovered transactions_answered polls_answered elapsed_ns transactions_unanswered"
    " different cause",
}


@pytest.mark.parametrize("table", COLUMNS)
def test_jsonl_has_one_object_a_row_with_the_fixed_columns(
    table: str, lastack: Lastack, short_run: Path
) -> None:
    run = lastack("export", short_run / "bench.toml", "--table", table)
    rows = [json.loads(line) for line in run.stdout.splitlines()]
    wanted = COLUMNS[table].split()
    assert (run.returncode, run.stderr) == (0, "")
    assert rows
    assert [name for name in rows[0] if name in wanted] == wanted


def test_links_name_their_parties_and_may_be_chosen(lastack: Lastack, short_run: Path) -> None:
    where = "outcome = 'seen' and what = 'capline/cam/blocks'"
    options = ("--table", "links", "--where", where)
    run = lastack("export", short_run / "bench.toml", *options)
    rows = [json.loads(line) for line in run.stdout.splitlines()]
    ends = {(row["from_party"], row["to_party"], row["by"]) for row in rows}
    assert ends == {("controller", "broker", "poll")}
    assert len(rows) > 30


def test_the_three_formats_hold_the_same_rows(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    bench, out = short_run / "bench.toml", tmp_path / "t.parquet"
    options = ("--table", "transactions", "--where", "address = 46 and not address_acked")
    lines = lastack("export", bench, *options).stdout.splitlines()
    csv = pl.read_csv(io.StringIO(lastack("export", bench, *options, "--format", "csv").stdout))
    lastack("export", bench, *options, "--format", "parquet", "-o", out)
    parquet = pl.read_parquet(out)
    times = [json.loads(line)["start_ns"] for line in lines]
    assert len(times) == 11
    assert csv["start_ns"].to_list() == times
    assert parquet["start_ns"].to_list() == times


def test_fields_are_objects_and_reached_by_path(lastack: Lastack, short_run: Path) -> None:
    where = "packet = 'blocks' and fields.sequence = 7"
    bench = short_run / "bench.toml"
    run = lastack("export", bench, "--table", "packets", "--where", where)
    rows = [json.loads(line) for line in run.stdout.splitlines()]
    assert [row["fields"]["sequence"] for row in rows] == [7]


def test_a_wrong_condition_is_refused_with_the_columns(lastack: Lastack, short_run: Path) -> None:
    bench = short_run / "bench.toml"
    run = lastack("export", bench, "--table", "prints", "--where", "levle = 'error'")
    assert run.returncode == 2
    assert "levle" in run.stderr
    assert "level" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_closed_pipe_is_quiet(short_run: Path) -> None:
    command = [sys.executable, "-m", "console.cli", "export", str(short_run / "bench.toml")]
    with subprocess.Popen(
        [*command, "--table", "transactions"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.read(10)
        child.stdout.close()
        said = child.stderr.read()
    assert said == b""


def test_a_closed_pipe_is_quiet_in_parquet_too(short_run: Path) -> None:
    command = [sys.executable, "-m", "console.cli", "export", str(short_run / "bench.toml")]
    with subprocess.Popen(
        [*command, "--table", "transactions", "--format", "parquet"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.close()
        said = child.stderr.read()
    assert said == b""


def test_a_named_pipe_is_written_to_and_not_replaced(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE) as reader:
        bench = short_run / "bench.toml"
        run = lastack("export", bench, "--table", "clocks", "--format", "csv", "-o", pipe)
        got, _ = reader.communicate(timeout=30)
    assert run.returncode == 0
    assert pipe.is_fifo()
    assert got.startswith(b"source,clock,")


def test_a_file_that_cannot_be_written_leaves_nothing_beside_it(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    (tmp_path / "there").mkdir()
    bench = short_run / "bench.toml"
    run = lastack("export", bench, "--table", "clocks", "-o", tmp_path / "there")
    assert run.returncode == 2
    assert "there: cannot be written" in run.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_an_exported_file_may_be_read_like_any_other(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    out, other = tmp_path / "clocks.csv", tmp_path / "other"
    other.touch()
    lastack("export", short_run / "bench.toml", "--table", "clocks", "--format", "csv", "-o", out)
    assert out.stat().st_mode == other.stat().st_mode


def test_no_control_character_stands_in_json_lines(lastack: Lastack, tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text("".join(f"[{k}000] \x7fout\x9b31m\u202e\n" for k in range(5)))
    run = lastack("export", log, "--table", "prints")
    rows = [json.loads(line) for line in run.stdout.splitlines()]
    assert [row["text"] for row in rows] == ["\x7fout\x9b31m\u202e"] * 5
    assert run.stdout.replace("\n", "").isprintable()


@pytest.mark.parametrize("table", ["hops", "chains"])
def test_hops_and_chains_name_their_parties(table: str, lastack: Lastack, short_run: Path) -> None:
    options = ("--table", table, "--where", "from_party = 'camera'")
    run = lastack("export", short_run / "bench.toml", *options)
    rows = [json.loads(line) for line in run.stdout.splitlines()]
    assert (run.returncode, run.stderr) == (0, "")
    assert "ask" in {row["from_what"] for row in rows}
