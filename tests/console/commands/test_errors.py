"""What a user can mend is told once, with file, line and mend, and exit code 2."""

from __future__ import annotations

import fcntl
import gzip
import json
import os
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest

Lastack = Callable[..., "CompletedProcess[str]"]

GOOD = "time_ns,scl,sda\n0,1,1\n1000,1,0\n2000,0,0\n"

# name, content, what stderr says beside the file's name
BAD_CAPTURES = [
    ("empty.csv", b"", "empty"),
    ("header_only.csv", b"time,scl,sda\n", ":1"),
    ("junk.csv", bytes(range(256)) * 20, "binary"),
    ("one_column.csv", b"time\n0.1\n0.2\n0.3\n", ""),
    ("cells_missing.csv", b"time,scl,sda\n0.1,1\n0.2,1\n", ":2"),
    ("backwards.csv", b"time,scl,sda\n5,1,1\n4,1,0\n", ":3"),
    ("long_line.csv", b"time,scl,sda\n" + b"1" * 10_000_000, ":2"),
    ("cut.vcd", b"$timescale 1 ns $end\n$scope module b $end\n$var wire 1 ! scl $e", ":3"),
]


@pytest.mark.parametrize(
    ("name", "content", "where"), BAD_CAPTURES, ids=[b[0] for b in BAD_CAPTURES]
)
def test_a_bad_capture_is_refused_with_its_place(
    name: str, content: bytes, where: str, lastack: Lastack, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    run = lastack("check", path)
    said = run.stderr.splitlines()
    assert run.returncode == 2, run.stdout
    assert f"{name}" in said[0]
    assert where in said[0]
    assert len(said) >= 2, "no mend"
    assert "Traceback" not in run.stderr


def test_a_capture_that_goes_bad_keeps_what_was_good(lastack: Lastack, short_run: Path) -> None:
    whole = gzip.decompress((short_run / "wire.csv.gz").read_bytes())
    lines = whole.split(b"\n")
    half = len(lines) // 2
    path = short_run / "goes_bad.csv"
    path.write_bytes(b"\n".join([*lines[:half], b"what,is,this", *lines[half:]]))
    run = lastack("check", path, "--json")
    report = json.loads(run.stdout)
    bad = [f for f in report["findings"] if f["rule"] == "unreadable"]
    assert run.returncode == 2
    assert report["counts"]["transactions"] > 40
    assert [f["evidence"]["place"] for f in bad] == [f"{path}:{half + 1}:1"]
    assert f"{path}:{half + 1}" in run.stderr


def test_a_file_cut_in_the_middle_keeps_what_was_good(lastack: Lastack, short_run: Path) -> None:
    data = (short_run / "wire.csv.gz").read_bytes()
    path = short_run / "cut.csv.gz"
    path.write_bytes(data[: len(data) // 2])
    run = lastack("check", path, "--json")
    report = json.loads(run.stdout)
    assert run.returncode == 2
    assert report["counts"]["transactions"] > 20
    assert "unreadable" in {f["rule"] for f in report["findings"]}


def test_an_unknown_line_name_lists_the_lines_there_are(lastack: Lastack, tmp_path: Path) -> None:
    path = tmp_path / "wire.csv"
    path.write_text(GOOD)
    run = lastack("check", path, "--i2c", "scl=clock,sda=sda")
    assert run.returncode == 2
    assert "'clock'" in run.stderr
    assert "scl, sda" in run.stderr
    assert "--i2c" in run.stderr


def test_a_typo_in_the_bench_file_is_told_with_its_line(lastack: Lastack, tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text('[bench]\nname = "x"\n\n[[device]]\nname = "camera"\nadress = 46\nbus = "b"\n')
    run = lastack("check", bench)
    assert run.returncode == 2
    assert f"{bench}:6" in run.stderr
    assert "address" in run.stderr
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (["chekc"], "check"),
        (["check", "--jsno", "x"], "--json"),
        (["check", "nowhere.csv"], "no such file"),
        (["check"], "PATH"),
        (["export", "x", "--table", "transaction"], "transactions"),
    ],
)
def test_a_mistyped_word_gets_the_closest_one(
    arguments: list[str], hint: str, lastack: Lastack, tmp_path: Path
) -> None:
    run = lastack(*arguments, cwd=tmp_path, environment={"PYTHONPATH": os.getcwd()})
    assert run.returncode == 2
    assert hint in run.stderr
    assert "Traceback" not in run.stderr


def test_an_unknown_source_in_clock_lists_the_sources(lastack: Lastack, tmp_path: Path) -> None:
    path = tmp_path / "wire.csv"
    path.write_text(GOOD)
    run = lastack("check", path, "--clock", "wier=+1s")
    assert run.returncode == 2
    assert "Sources: wire" in run.stderr


def test_debug_shows_the_traceback(lastack: Lastack, tmp_path: Path) -> None:
    path = tmp_path / "empty.csv"
    path.write_bytes(b"")
    assert "Traceback" in lastack("check", path, "--debug").stderr


def _wait_until_it_wants_more(child: subprocess.Popen[bytes]) -> None:
    """Wait until the child has emptied its pipe and sleeps in the next read (Linux: proc(5))."""
    assert child.stdin is not None
    status = Path(f"/proc/{child.pid}/stat")
    for _ in range(6_000):  # a minute at most
        unread = struct.unpack("i", fcntl.ioctl(child.stdin, termios.FIONREAD, b"\0" * 4))[0]
        if not unread and status.read_text().rpartition(")")[2].split()[0] == "S":
            return
        time.sleep(0.01)
    pytest.fail("the child did not read its standard input")


def test_ctrl_c_leaves_valid_output_of_what_was_read(short_run: Path) -> None:
    data = gzip.decompress((short_run / "wire.csv.gz").read_bytes())
    with subprocess.Popen(
        [sys.executable, "-m", "console.cli", "check", "-", "--json"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as child:
        assert child.stdin is not None
        child.stdin.write(data[: len(data) // 2])
        child.stdin.flush()
        _wait_until_it_wants_more(child)
        child.send_signal(signal.SIGINT)
        child.stdin.write(data[len(data) // 2 :][:100])
        said, complained = child.communicate(timeout=30)
    report = json.loads(said)
    assert child.returncode == 130
    assert report["interrupted"] is True
    assert report["counts"]["transactions"] > 20
    assert b"Traceback" not in complained


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        (["--rate", "0"], "1e-06 to 1e+12 Hz"),
        (["--rate", "nan"], "1e-06 to 1e+12 Hz"),
        (["--rate", "1e300"], "1e-06 to 1e+12 Hz"),
        (["--threshold", "inf"], "-1000 to 1000 volts"),
        (["--threshold", "high"], "'high' is not a valid float"),
        (["--i2c", "scl=scl,sda=scl"], "names one line twice"),
        (["wire.csv"], "wire.csv is given twice"),
        (["-", "-"], "standard input (-) is given twice"),
    ],
)
def test_an_option_that_cannot_be_meant_is_refused(
    arguments: list[str], what: str, lastack: Lastack, tmp_path: Path
) -> None:
    (tmp_path / "wire.csv").write_text(GOOD)
    run = lastack(
        "check", "wire.csv", *arguments, cwd=tmp_path, environment={"PYTHONPATH": os.getcwd()}
    )
    assert (run.returncode, run.stdout) == (2, "")
    assert what in run.stderr
    assert "Traceback" not in run.stderr


def test_a_second_bench_file_is_refused(lastack: Lastack, tmp_path: Path) -> None:
    for name in ("one.toml", "two.toml"):
        (tmp_path / name).write_text('[bench]\nname = "x"\n')
    run = lastack("check", tmp_path / "one.toml", tmp_path / "two.toml")
    assert run.returncode == 2
    assert "two.toml: a second bench file" in run.stderr


BENCH = '[[source]]\nname = "wire"\nkind = "capture"\npath = "wire.csv"\n'


@pytest.mark.parametrize(
    ("there", "what", "mend"),
    [
        ("wires.csv", "wire.csv: no such file", "wires.csv"),
        ("wire.csv", "declared as capture, but its JSON lines have a topic", "kind or its path"),
    ],
)
def test_a_wrong_path_in_the_bench_file_is_told_with_its_line(
    there: str, what: str, mend: str, lastack: Lastack, tmp_path: Path
) -> None:
    (tmp_path / there).write_text('{"t": 1, "topic": "a", "payload": "b"}\n')
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH)
    run = lastack("check", bench)
    assert run.returncode == 2
    assert f"{bench}:4: " in run.stderr
    assert what in run.stderr
    assert mend in run.stderr


def test_a_cut_zip_is_told_as_the_cause_with_the_line_it_left(
    lastack: Lastack, short_run: Path
) -> None:
    data = (short_run / "wire.csv.gz").read_bytes()
    path = short_run / "cut_again.csv.gz"
    path.write_bytes(data[: len(data) // 3])
    run = lastack("check", path)
    assert run.returncode == 2
    assert run.stderr.startswith(f"lastack: {path}:")
    assert ": the gzip data end too early, after " in run.stderr.splitlines()[0]


def test_a_zip_cut_before_its_first_byte_is_not_called_an_empty_file(
    lastack: Lastack, tmp_path: Path
) -> None:
    path = tmp_path / "wire.csv.gz"
    path.write_bytes(gzip.compress(GOOD.encode())[:10])
    run = lastack("check", path)
    assert run.returncode == 2
    assert "the gzip data end too early" in run.stderr
    assert "Copy or export the file again." in run.stderr


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        ("0,1,1\n1000,1,1\n", "there is no whole transaction on scl and sda"),
        (
            "".join(f"{k * 5000},{k % 2},1\n" for k in range(200)),
            "there is no whole transaction on scl and sda",
        ),
    ],
    ids=["flat", "clocks without a START"],
)
def test_a_capture_without_a_transaction_does_not_pass_for_good(
    rows: str, why: str, lastack: Lastack, tmp_path: Path
) -> None:
    path = tmp_path / "wire.csv"
    path.write_text("time_ns,scl,sda\n" + rows)
    run = lastack("check", path)
    assert f"wire: nothing of this capture was decoded: {why}" in run.stdout
    assert lastack("check", path, "--fail-on", "warning").returncode == 1


def test_one_line_under_two_names_is_no_bus(lastack: Lastack, tmp_path: Path) -> None:
    path = tmp_path / "wire.csv"
    path.write_text(GOOD.replace("scl", "top.scl"))
    run = lastack("check", path, "--i2c", "scl=top.scl,sda=SCL")
    assert run.returncode == 2
    assert "SCL and SDA of bus 'i2c-1' are the same line 'top.scl'" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_line_of_the_bench_file_that_is_not_there_is_told_with_its_bus(
    lastack: Lastack, tmp_path: Path
) -> None:
    (tmp_path / "wire.csv").write_text(GOOD)
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH + '[[bus]]\nname = "cam"\nsource = "wire"\nscl = "sclk"\nsda = "sda"\n')
    run = lastack("check", bench)
    assert run.returncode == 2
    assert "'sclk' of bus 'cam' is no line of this capture" in run.stderr
    assert "Lines found: scl, sda." in run.stderr


@pytest.mark.parametrize("command", [("export", "--table", "line_states"), ("new",)])
def test_no_command_keeps_quiet_about_what_it_could_not_read(
    command: tuple[str, ...], lastack: Lastack, tmp_path: Path
) -> None:
    path = tmp_path / "backwards.csv"
    path.write_text(GOOD + "1500,1,1\n")
    run = lastack(command[0], path, *command[1:])
    assert run.returncode == 2
    assert run.stderr.startswith(f"lastack: {path}:5:1: time goes backwards")
    assert run.stderr.count("time goes backwards") == 1
    assert run.stdout


def test_a_bench_file_cannot_name_standard_input(lastack: Lastack) -> None:
    run = lastack("new", "-", stdin=GOOD.encode())
    assert (run.returncode, run.stdout) == (2, "")
    assert "standard input has no name" in run.stderr
