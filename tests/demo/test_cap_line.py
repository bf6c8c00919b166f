"""The cap line: a short run of it, and the files that are shipped."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from captures_demo.simulator import Run
from captures_demo.simulator.camera import packet, reply_length
from captures_demo.simulator.cap_line import CAMERA, HOPPER, cap_line
from captures_demo.simulator.cap_line_plan import DEMO, SHORT
from captures_demo.simulator.cap_line_truth import summary
from captures_demo.simulator.checksums import sum16
from captures_demo.simulator.make import CAP_LINE, content, differing, files, main

POLL = re.compile(r"camera: poll (\d+) seq (\d+) blocks (\d+) us (\d+)")


@pytest.fixture(scope="module")
def run() -> Run:
    return cap_line(SHORT)


@pytest.fixture(scope="module")
def truth(run: Run) -> dict[str, dict[str, object]]:
    read = json.loads(json.dumps(summary(run, SHORT)))
    assert isinstance(read, dict)
    return read


def test_camera_answers_as_often_as_planned_and_then_never_again(
    run: Run, truth: dict[str, dict[str, object]]
) -> None:
    rows = [row for row in run.truth.transactions if row.address == CAMERA]
    replies = [row for row in rows if row.read]
    assert len(replies) == SHORT.answers
    assert truth["camera"]["transactions_answered"] == 2 * SHORT.answers
    after = [row for row in rows if row.start_ns > replies[-1].start_ns]
    assert [row.address_acked for row in after] == [False] * SHORT.polls_after
    hopper = [row for row in run.truth.transactions if row.address == HOPPER]
    assert all(row.address_acked for row in hopper)
    assert hopper[-1].start_ns > after[0].start_ns


def test_short_run_of_unanswered_polls_ends_by_itself(truth: dict[str, dict[str, object]]) -> None:
    runs = truth["camera"]["nack_runs"]
    assert isinstance(runs, list)
    assert [one["polls"] for one in runs] == [SHORT.nack_run]


def test_replies_on_the_wire_are_packets_and_go_wrong_as_planned(run: Run) -> None:
    wrong_sum, flat, outside = set(), set(), set()
    for row in run.truth.transactions:
        if row.address == CAMERA and row.read:
            assert len(row.data) == reply_length(row.data)
            payload = row.data[4:-2]
            sequence = int.from_bytes(payload[:2], "little")
            if row.data != packet(0x31, payload):
                wrong_sum.add(sequence)
            blocks = [payload[at : at + 7] for at in range(2, len(payload), 7)]
            if sequence not in wrong_sum:
                flat |= {sequence for b in blocks if b[5] == 0}
                outside |= {sequence for b in blocks if int.from_bytes(b[1:3], "little") > 319}
    assert (wrong_sum, flat, outside) == ({11}, {23}, {31})


# Worked by hand: 0x3F + 3 = 0x42; 255 times 0xFF and 0x03 is 0xFE04.
def test_sum_of_a_payload_is_sent_high_byte_first() -> None:
    assert sum16(b"\x3f\x03") == b"\x00\x42"
    assert sum16(b"\xff" * 255 + b"\x03") == b"\xfe\x04"


def test_prints_messages_and_wire_tell_the_same_sequence(run: Run) -> None:
    printed = {int(m[2]) for line in run.truth.prints if (m := POLL.match(line.text))}
    told = {
        json.loads(row.payload)["seq"]
        for row in run.message_rows
        if row.topic == "capline/cam/blocks"
    }
    sent = {
        json.loads(message.payload)["seq"]
        for message in run.truth.messages
        if message.topic == "capline/cam/blocks"
    }
    assert printed == sent == set(range(1, SHORT.answers + 1)) - {11}
    assert len(printed - told) == 2  # the lost ones


def test_log_is_what_was_printed_with_stamps_that_roll_over(run: Run) -> None:
    lines = run.serial_bytes().decode().split("\r\n")[:-1]
    pattern = re.compile(r"\[ *(\d+)\] ([IWE]) (.*)")
    read = [(int(m[1]), m[2], m[3]) for line in lines if (m := pattern.fullmatch(line))]
    assert read == [(line.tick, line.level, line.text) for line in run.truth.prints]
    falls = [k for k in range(1, len(read)) if read[k][0] < read[k - 1][0]]
    assert len(falls) == 1


def test_one_command_is_never_answered(run: Run) -> None:
    payloads: dict[str, list[dict[str, object]]] = {}
    for row in run.message_rows:
        payloads.setdefault(row.topic, []).append(json.loads(row.payload))
    asked = {row["n"] for row in payloads["capline/diverter/command"]}
    answered = {row["command"] for row in payloads["capline/diverter/state"]}
    assert asked - answered == {SHORT.lost_command}


def test_same_plan_gives_the_same_files_and_another_seed_does_not() -> None:
    first, second, other = (
        {name: b"".join(pieces) for name, pieces in files(plan).items()}
        for plan in (SHORT, SHORT, replace(SHORT, seed=1))
    )
    assert first == second
    assert [name for name in first if first[name] != other[name]] == list(first)


def test_bus_is_never_used_by_two_tasks_at_once(run: Run) -> None:
    rows = run.truth.transactions
    assert all(a.end_ns <= b.start_ns for a, b in pairwise(rows))


def test_files_that_differ_are_named(tmp_path: Path) -> None:
    made = {"controller.log": [b"one"], "truth.json": [b"{}"]}
    (tmp_path / "truth.json").write_bytes(b"{}")
    assert differing(dict(made), tmp_path) == ["controller.log"]


def test_shipped_files_are_what_the_simulator_makes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--compare"]) == 0
    assert capsys.readouterr().out == "all the same\n"


def test_shipped_truth_names_the_planned_numbers() -> None:
    truth = json.loads(content(CAP_LINE / "truth.json"))
    assert truth["camera"]["polls_answered"] == DEMO.answers == 2_047
    assert truth["camera"]["transactions_unanswered"] == DEMO.polls_after
    assert truth["camera"]["last_reply_end_ns"] < truth["camera"]["first_unanswered_ns"]
    assert truth["prints"]["first_lines_after_rollover"] != []
    assert len(truth["messages"]["lost"]) == len(DEMO.lost_blocks) + 1


def test_shipped_files_are_smaller_than_three_megabytes() -> None:
    assert sum(path.stat().st_size for path in CAP_LINE.iterdir()) < 3_000_000


def test_simulator_imports_nothing_of_what_it_tests() -> None:
    code = (
        "import sys, captures_demo.simulator.make, captures_demo.simulator.writers.vcd, "
        "captures_demo.simulator.writers.recordings; "
        "print([m for m in sys.modules if m.split('.')[0] in ('decoders', 'console')])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert done.stdout == "[]\n"
