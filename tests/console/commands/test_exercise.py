"""An exercise from the command line: shown, confirmed, sent, answered or missed; or not sent."""

from __future__ import annotations

import contextlib
import json
import os
import pty as terminals
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from console.commands.exercise import CAUTION, shown
from console.pipeline.recording import Recording
from console.run.stored import StoredRun
from tests.console.commands.conftest import Lastack
from tests.console.commands.recorder import PORT, WAIT_S, Recorder, bench
from tests.console.pipeline.exercises import BENCH, exercise, repeated
from tests.console.sources.brokers import Amqtt, running
from tests.console.sources.live import Pty
from tests.console.sources.scripted_broker import PUBLISH, Line, ScriptedBroker

BROKER = '[[source]]\nname = "broker"\nkind = "messages"\nhost = "127.0.0.1"\nport = {port}\n'
HEAD = '[exercise]\nname = "both ways"\nbench = "cap line"\n'
WRITE = """
[[step]]
kind = "write"
source = "controller"
text = "divert left"
ending = "crlf"
"""
REACHED = """
[[step]]
kind = "expect"
event = "print"
source = "controller"
where = "text LIKE 'gate left%'"
within = "{within}"
"""
COMMANDS = """
[[step]]
kind = "repeat"
times = 3

  [[step.step]]
  kind = "publish"
  source = "broker"
  topic = "capline/diverter/command"
  payload = { n = "${n}", gate = "left" }
  qos = 1

  [[step.step]]
  kind = "expect"
  event = "message"
  where = "topic = 'capline/diverter/state' AND fields.command = ${n}"
  within = "60 s"
"""


@pytest.fixture
def port() -> Iterator[Pty]:
    made = Pty()
    yield made
    made.unplug()


def written(folder: Path, *steps: str) -> Path:
    path = folder / "gates.toml"
    path.write_text(HEAD + "".join(steps), "utf-8")
    return path


def ended(recorder: Recorder) -> tuple[int, str]:
    return recorder.ended(), recorder.stdout


def happened(run: Path) -> list[tuple[str, str]]:
    """The exercise's own events in a run."""
    with StoredRun(run, full=True) as stored:
        return [(h.what, h.detail) for h in stored.happenings() if h.source == "exercise"]


def answering(port: Pty, answer: bytes) -> threading.Thread:
    """A board that answers one line; its thread has what was written to it as `heard`."""

    def board() -> None:
        heard, until_s = b"", time.monotonic() + WAIT_S
        while not heard.endswith(b"\n") and time.monotonic() < until_s:
            heard += port.written()
        port.send(answer)
        setattr(thread, "heard", heard)  # noqa: B010

    thread = threading.Thread(target=board)
    thread.start()
    return thread


def test_a_line_is_written_and_its_answer_met(tmp_path: Path, port: Pty) -> None:
    path, run = bench(tmp_path, PORT.format(path=port.path)), tmp_path / "run"
    gates = written(tmp_path, WRITE, REACHED.format(within="60 s"))
    board = answering(port, b"gate left reached\r\n")
    with Recorder(path, "-o", run, "--exercise", gates, "--transmit", "--yes") as recorder:
        assert ended(recorder) == (0, "")
    board.join()
    assert vars(board)["heard"] == b"divert left\r\n"
    what = happened(run)
    assert what[0] == ("opened", f"both ways, from {gates}")
    assert what[1] == ("note", 'step 1: write "divert left\\r\\n" to controller')
    assert what[2][1].startswith("step 2: met after ")
    assert what[2][1].endswith(": controller gate left reached")
    assert what[3:] == [("closed", "done: 2 steps done, 0 missed")]


def test_before_the_first_step_it_says_what_it_sends_where_and_the_caution(
    tmp_path: Path, port: Pty
) -> None:
    path = bench(tmp_path, PORT.format(path=port.path))
    gates = written(tmp_path, WRITE)
    arguments = (path, "-o", tmp_path / "run", "--exercise", gates, "--transmit", "--yes")
    with Recorder(*arguments) as recorder:
        recorder.ended()
    before, _, _ = recorder.stderr.partition("step 1")
    assert CAUTION in before
    assert f"to controller ({port.path} at 115200 baud):" in before
    assert '1 x  write "divert left\\r\\n" to controller' in before


def test_a_command_nobody_answers_is_a_fault_live_and_of_the_stored_run(
    tmp_path: Path, port: Pty, lastack: Lastack
) -> None:
    path, run = bench(tmp_path, PORT.format(path=port.path)), tmp_path / "run"
    gates = written(tmp_path, WRITE, REACHED.format(within="300ms"))
    arguments = ("-o", run, "--exercise", gates, "--transmit", "--yes", "--json")
    with Recorder(path, *arguments) as recorder:
        code, out = ended(recorder)
    live = [json.loads(line) for line in out.splitlines()]
    read = json.loads(lastack("check", run, "--json").stdout)["findings"]
    assert code == 1
    (finding,) = [f for f in live if (f["rule"], f["event"]) == ("exercise", "raised")]
    (again,) = [f for f in read if f["rule"] == "exercise"]
    assert finding["severity"] == "fault"
    assert finding["evidence"]["sent"] == 'write "divert left\\r\\n" to controller'
    assert finding["evidence"]["step"] == "2"
    keys = ("rule", "severity", "party", "summary")
    assert {k: finding[k] for k in keys} == {k: again[k] for k in keys}
    same = finding["evidence"].keys() - {"band_ns"}
    assert {k: finding["evidence"][k] for k in same} == {k: again["evidence"][k] for k in same}


@contextlib.contextmanager
def diverter(port: int) -> Iterator[list[bytes]]:
    """A board on a broker that answers every command; what it was told."""
    told: list[bytes] = []

    def answer(client: Client, _data: object, message: MQTTMessage) -> None:
        told.append(bytes(message.payload))
        n = json.loads(message.payload)["n"]
        client.publish("capline/diverter/state", json.dumps({"command": n}))

    ready = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = answer
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.subscribe("capline/diverter/command", 1)
    assert ready.wait(WAIT_S)
    try:
        yield told
    finally:
        client.disconnect()
        client.loop_stop()


def test_commands_go_through_a_broker_and_each_answer_is_met(tmp_path: Path) -> None:
    run, gates = tmp_path / "run", written(tmp_path, COMMANDS)
    with running(Amqtt()) as broker, diverter(broker.port) as told:
        path = bench(tmp_path, BROKER.format(port=broker.port))
        arguments = (path, "-o", run, "--exercise", gates, "--transmit", "--yes")
        with Recorder(*arguments) as recorder:
            assert ended(recorder) == (0, "")
    assert told == [b'{"n":%d,"gate":"left"}' % n for n in (1, 2, 3)]
    assert happened(run)[-1] == ("closed", "done: 6 steps done, 0 missed")


def test_without_transmit_it_is_shown_and_nothing_is_opened_or_sent(
    tmp_path: Path, port: Pty, lastack: Lastack
) -> None:
    with ScriptedBroker(Line.rest) as broker:
        path = bench(tmp_path, PORT.format(path=port.path), BROKER.format(port=broker.port))
        gates = written(tmp_path, WRITE, COMMANDS)
        shown_ = lastack("record", path, "-o", tmp_path / "run", "--exercise", gates)
        assert broker.lines == []
    assert port.written() == b""
    assert shown_.returncode == 2
    assert shown_.stderr.startswith("lastack: nothing was sent: --transmit was not given")
    assert '3 x  publish capline/diverter/command {"n":"${n}","gate":"left"}' in shown_.stdout
    assert not (tmp_path / "run").exists()


def test_a_recording_without_an_exercise_publishes_and_writes_nothing(
    tmp_path: Path, port: Pty
) -> None:
    def script(line: Line) -> None:
        line.accept()
        line.rest()

    with ScriptedBroker(script) as broker:
        path = bench(tmp_path, PORT.format(path=port.path), BROKER.format(port=broker.port))
        with Recorder(path, "-o", tmp_path / "run", "--for", "1s") as recorder:
            recorder.ended()
        packets = _packet_types(b"".join(line.received for line in broker.lines))
    assert port.written() == b""
    assert PUBLISH not in packets


def _packet_types(data: bytes) -> set[int]:
    """The kinds of short packets, one after the other (MQTT 3.1.1 section 2.2)."""
    found, at = set[int](), 0
    while at < len(data):
        found.add(data[at] & 0xF0)
        at += 2 + data[at + 1]
    return found


def test_without_a_terminal_it_asks_for_yes_and_sends_nothing(
    tmp_path: Path, port: Pty, lastack: Lastack
) -> None:
    path = bench(tmp_path, PORT.format(path=port.path))
    gates = written(tmp_path, WRITE)
    told = lastack("record", path, "-o", tmp_path / "run", "--exercise", gates, "--transmit")
    assert told.returncode == 2
    assert (
        "there is no terminal to confirm it on\nRead what it sends, then add --yes." in told.stderr
    )
    assert (port.written(), (tmp_path / "run").exists()) == (b"", False)


# What is typed, whether anything is written, and the exit code.
@pytest.mark.parametrize(
    ("typed", "sent", "code"), [("y\n", b"divert left\r\n", 0), ("n\n", b"", 2), ("\n", b"", 2)]
)
def test_on_a_terminal_it_waits_for_the_answer(
    tmp_path: Path, port: Pty, typed: str, sent: bytes, code: int
) -> None:
    path = bench(tmp_path, PORT.format(path=port.path))
    words = ["record", path, "-o", tmp_path / "run", "--exercise", written(tmp_path, WRITE)]
    master, slave = terminals.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "console.cli", *map(str, words), "--transmit"],
        stdin=slave,
        stdout=subprocess.DEVNULL,
        stderr=slave,
        env={**os.environ, "PYTHONUTF8": "1"},
    )
    os.close(slave)
    try:
        said = b""
        while b"Send this?" not in said:
            said += os.read(master, 4096)
        before = port.written()
        os.write(master, typed.encode())
        with contextlib.suppress(OSError):  # the terminal's end, when the process is gone
            while os.read(master, 4096):
                pass
        assert process.wait(WAIT_S) == code
    finally:
        process.kill()
        process.wait()
        os.close(master)
    assert (before, port.written()) == (b"", sent)


def test_the_first_ctrl_c_stops_the_sending(tmp_path: Path, port: Pty) -> None:
    path, run = bench(tmp_path, PORT.format(path=port.path)), tmp_path / "run"
    lines = '[[step]]\nkind = "repeat"\ntimes = 1000000\n' + WRITE.replace(
        "[[step]]", "[[step.step]]"
    )
    gates = written(tmp_path, lines)
    with Recorder(path, "-o", run, "--exercise", gates, "--transmit", "--yes") as recorder:
        recorder.wait_for("step 1.1, n 3")
        recorder.send(signal.SIGINT)
        recorder.ended()
    what, detail = happened(run)[-1]
    assert (what, detail.split(":")[0]) == ("closed", "stopped")
    asked = sum("write" in words for _, words in happened(run))
    assert asked - 1 <= port.written().count(b"\n") <= asked


def test_a_source_that_does_not_open_is_a_fault_and_nothing_is_sent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from console.commands.exercise import confirmed
    from console.pipeline import exercise_run

    monkeypatch.setattr(exercise_run, "OPEN_NS", 100_000_000)
    path = bench(tmp_path, PORT.format(path=tmp_path / "no such port"))
    steps = confirmed(str(path), str(written(tmp_path, WRITE)), transmit=True, yes=True)
    recording = Recording(path, tmp_path / "run")
    steps.begin(recording)
    recording.start()
    end = time.monotonic() + WAIT_S
    while not steps.is_done:
        assert time.monotonic() < end
        time.sleep(0.05)
    steps.stop()
    recording.stop()
    (told,) = happened(tmp_path / "run")
    assert told[1].startswith("missed: not begun: controller not open within ")
    assert recording.raised == {"fault": 1}


@pytest.mark.parametrize("option", ["--transmit", "--yes"])
def test_options_of_an_exercise_without_one_are_refused(
    tmp_path: Path, lastack: Lastack, option: str
) -> None:
    told = lastack("record", tmp_path / "bench.toml", "-o", tmp_path / "run", option)
    assert (told.returncode, "belong to an --exercise" in told.stderr) == (2, True)


def test_hostile_text_of_the_file_is_shown_cleaned(
    tmp_path: Path, port: Pty, lastack: Lastack
) -> None:
    path = bench(tmp_path, PORT.format(path=port.path))
    gates = written(tmp_path, WRITE.replace("divert left", "\\u001b[2J\\u202Ex"))
    told = lastack("record", path, "-o", tmp_path / "run", "--exercise", gates)
    assert "\x1b" not in told.stdout + told.stderr
    assert "\u202e" not in told.stdout + told.stderr


def test_each_distinct_thing_is_shown_once_with_how_often_it_is_sent() -> None:
    publish = 'kind = "publish"\nsource = "broker"\ntopic = "a"\n'
    write = 'kind = "write"\nsource = "controller"\nhex = "A5 5A"\n'
    lines = shown(exercise(publish, repeated(20, publish, write), write), BENCH)
    assert lines == [
        "exercise both ways: 42 steps; when one is missed it stops",
        "to broker (broker.capline.example:1883, MQTT 3.1.1):",
        "         21 x  publish a  to broker, QoS 0",
        "to controller (/dev/ttyCAP0):",
        "         21 x  write A5 5A to controller",
    ]


def test_a_payload_is_shown_in_full() -> None:
    publish = 'kind = "publish"\nsource = "broker"\ntopic = "a"\n'
    lines = shown(exercise(f'{publish}payload = "{"x" * 5000}"'), BENCH)
    assert "x" * 5000 in lines[2]
