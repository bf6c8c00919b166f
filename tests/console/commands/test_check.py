"""`lastack check` and `lastack demo` as a user meets them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest

import captures_demo

Lastack = Callable[..., "CompletedProcess[str]"]


def stop_of(report: dict[str, object], party: str) -> dict[str, object]:
    """Evidence of the one fault `stops-answering` of a party."""
    findings = report["findings"]
    assert isinstance(findings, list)
    stops = [
        f
        for f in findings
        if f["rule"] == "stops-answering" and f["severity"] == "fault" and f["party"] == party
    ]
    assert len(stops) == 1
    evidence: dict[str, object] = stops[0]["evidence"]
    return evidence


def test_the_demo_names_the_camera_the_count_the_time_and_the_failure(lastack: Lastack) -> None:
    run = lastack("demo")
    line = next(x for x in run.stdout.splitlines() if "camera stopped answering" in x)
    assert line.startswith("fault")
    assert "34:10.853" in line
    assert "2,047 answered polls" in line
    assert "address not acknowledged" in line
    assert (run.returncode, run.stderr) == (1, "")


def test_what_is_found_is_what_the_simulator_did(lastack: Lastack, short_run: Path) -> None:
    run = lastack("check", short_run / "bench.toml", "--json")
    report = json.loads(run.stdout)
    truth = json.loads((short_run / "truth.json").read_text())
    evidence = stop_of(report, "camera")
    assert report["schema"] == 1
    assert run.returncode == 1
    assert evidence["device"] == "camera"
    assert evidence["address"] == 0x2E
    assert evidence["how"] == "address-nack"
    assert evidence["polls_answered"] == truth["camera"]["polls_answered"]
    assert evidence["transactions_answered"] == truth["camera"]["transactions_answered"]
    assert evidence["last_good_ns"] == truth["camera"]["last_reply_start_ns"]
    assert evidence["first_bad_ns"] == truth["camera"]["first_unanswered_ns"]
    assert evidence["transactions_unanswered"] == truth["camera"]["transactions_unanswered"]


def test_every_source_is_on_one_axis_within_its_band(lastack: Lastack, short_run: Path) -> None:
    report = json.loads(lastack("check", short_run / "bench.toml", "--json").stdout)
    truth = json.loads((short_run / "truth.json").read_text())
    clocks = {row["source"]: row for row in report["clocks"]}
    for true in truth["clocks"]:
        found = clocks[true["source"]]
        drift = found["drift_ppm"] * 1e-6
        at = true["at_native_ns"] + round(drift * true["at_native_ns"]) + found["offset_ns"]
        assert abs(at - true["at_common_ns"]) <= found["band_ns"] + 5_000_000
        assert found["method"] == "equal-values"


def test_loose_files_without_a_bench_file_tell_the_same(lastack: Lastack, short_run: Path) -> None:
    names = ("wire.csv.gz", "controller.log", "broker.jsonl.gz")
    report = json.loads(lastack("check", *(short_run / n for n in names), "--json").stdout)
    truth = json.loads((short_run / "truth.json").read_text())
    stops = [
        f["evidence"]
        for f in report["findings"]
        if f["rule"] == "stops-answering" and f["severity"] == "fault"
    ]
    assert [(s["address"], s["how"]) for s in stops] == [(0x2E, "address-nack")]
    assert stops[0]["last_good_ns"] == truth["camera"]["last_reply_start_ns"]
    assert [c["method"] for c in report["clocks"]] == ["axis", "equal-values", "equal-values"]
    assumed = [remark for source in report["sources"] for remark in source["assumed"]]
    assert any("SCL is scl, SDA is sda" in remark for remark in assumed)


def test_a_description_for_loose_files_finds_the_device_that_speaks_it(
    lastack: Lastack, short_run: Path
) -> None:
    packets = short_run / "camera.packets.toml"
    run = lastack("check", short_run / "wire.csv.gz", "--packets", packets, "--json")
    report = json.loads(run.stdout)
    rules = {f["rule"] for f in report["findings"] if "0x2E" in f["party"]}
    assert report["counts"]["exchanges"] == 51
    assert {"stops-answering", "check-code"} <= rules


def test_standard_input_is_read_where_a_path_is_a_dash(lastack: Lastack, short_run: Path) -> None:
    data = (short_run / "wire.csv.gz").read_bytes()
    report = json.loads(lastack("check", "-", "--json", stdin=data).stdout)
    assert [s["name"] for s in report["sources"]] == ["stdin"]
    assert report["counts"]["transactions"] > 100


def test_fail_on_decides_the_exit_code(lastack: Lastack, tmp_path: Path) -> None:
    quiet = tmp_path / "quiet.csv"
    quiet.write_text("time,scl,sda\n0,1,1\n1,1,1\n")
    assert lastack("check", quiet).returncode == 0


def test_a_declared_clock_is_used_as_it_stands(lastack: Lastack, short_run: Path) -> None:
    run = lastack("check", short_run / "controller.log", "--clock", "controller=-3600s", "--json")
    clock = json.loads(run.stdout)["clocks"][0]
    assert (clock["method"], clock["offset_ns"]) == ("declared", -3_600_000_000_000)


def test_colour_needs_a_terminal_or_an_explicit_wish(lastack: Lastack, short_run: Path) -> None:
    bench = short_run / "bench.toml"
    plain = lastack("check", bench)
    forced = lastack("check", bench, environment={"FORCE_COLOR": "1"})
    refused = lastack("check", bench, environment={"FORCE_COLOR": "1", "NO_COLOR": "1"})
    assert "\x1b[" not in plain.stdout
    assert "\x1b[31m" in forced.stdout
    assert refused.stdout == plain.stdout


HOSTILE = b"[00001] \x1b]0;title\x07 \x9b31m [/x] \xe2\x80\xae poll\r\n"


@pytest.mark.parametrize("form", ["text", "json", "csv", "jsonl"])
def test_text_from_outside_drives_no_terminal(form: str, lastack: Lastack, tmp_path: Path) -> None:
    log = tmp_path / "log\x1b[31m.txt"
    log.write_bytes(HOSTILE * 4)
    if form in ("text", "json"):
        run = lastack("check", log, *(["--json"] if form == "json" else []))
    else:
        run = lastack("export", log, "--table", "prints", "--format", form)
    shown = (run.stdout + run.stderr).replace("\n", "")
    assert run.returncode == 0
    assert shown.isprintable()
    assert "\u202e" not in shown


def test_an_outcome_of_an_unknown_experiment_is_refused_with_its_line(
    lastack: Lastack, short_run: Path, tmp_path: Path
) -> None:
    tried = tmp_path / "tried.toml"
    tried.write_text('[[outcome]]\nexperiment = "pol-rate"\noutcome = "x"\n')
    run = lastack("check", short_run / "bench.toml", "--outcomes", tried)
    assert run.returncode == 2
    assert f"{tried}:2: there is no experiment 'pol-rate'" in run.stderr


def test_outcomes_are_read_before_the_recordings_are(lastack: Lastack, tmp_path: Path) -> None:
    tried = tmp_path / "tried.toml"
    tried.write_text('[[outcome]]\nexperiment = "pol-rate"\noutcome = "x"\n')
    run = lastack("check", tmp_path / "is-not-there.csv", "--outcomes", tried)
    assert run.returncode == 2
    assert "no experiment 'pol-rate'" in run.stderr


def test_outcomes_of_experiments_change_what_is_told(lastack: Lastack, tmp_path: Path) -> None:
    tried = tmp_path / "tried.toml"
    tried.write_text(
        '[[outcome]]\nexperiment = "poll-rate"\noutcome = "dies at the same count"\n'
        'device = "camera"\n'
    )
    bench = Path(captures_demo.__file__).parent / "cap_line/bench.toml"
    before, after = lastack("check", bench), lastack("check", bench, "--outcomes", tried)
    done = "done: Double the poll rate, then halve it: dies at the same count"
    assert "The target leaves its address unanswered" in before.stdout
    assert "A count reached its limit, or handles ran out (" in after.stdout
    assert [done in run.stdout for run in (before, after)] == [False, True]
