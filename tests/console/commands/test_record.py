"""The whole command over real ports and brokers."""

from __future__ import annotations

import json
import shlex
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from console.run.stored import StoredRun
from console.sources.records import Arrived, Chunk
from tests.console.commands.conftest import Lastack
from tests.console.commands.recorder import BROKER, PORT, SILENT, WAIT_S, Recorder, bench
from tests.console.sources.brokers import Amqtt, free_port, running, send
from tests.console.sources.live import Pty, point


def data_of(run: Path) -> bytes:
    with StoredRun(run, full=True) as stored:
        assert stored.problems == ()
        return b"".join(r.data for r in stored.records() if isinstance(r, Chunk))


def wait_until_stored(run: Path, data: bytes) -> None:
    end = time.monotonic() + WAIT_S
    while data_of(run) != data:
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_a_recording_in_good_order(tmp_path: Path, number: signal.Signals) -> None:
    pty, run = Pty(), tmp_path / "soak"
    with Recorder(bench(tmp_path, PORT.format(path=pty.path)), "-o", run) as recorder:
        recorder.wait_for("opened")
        pty.send(b"poll 1\r\n")
        wait_until_stored(run, b"poll 1\r\n")
        recorder.send(number)
        code = recorder.ended()
    with StoredRun(run, full=True) as stored:
        assert stored.sessions()[-1].ended_ns is not None
        assert stored.problems == ()
    assert code == 0
    assert recorder.stdout == ""
    assert "records; 0 faults, 0 warnings, 0 notes" in recorder.stderr


def test_what_a_port_and_a_broker_say_is_in_the_run(tmp_path: Path) -> None:
    pty, run = Pty(), tmp_path / "soak"
    with running(Amqtt()) as broker:
        path = bench(tmp_path, PORT.format(path=pty.path), BROKER.format(port=broker.port))
        with Recorder(path, "-o", run) as recorder:
            recorder.wait_for("subscribed")
            recorder.wait_for("controller: opened")
            pty.send(b"poll 1\r\n")
            send(broker.port, ("cap/level", b"40", 1, False))
            wait_until_stored(run, b"poll 1\r\n")
            _wait_for_message(run)
            recorder.send(signal.SIGINT)
            assert recorder.ended() == 0


def _wait_for_message(run: Path) -> None:
    end = time.monotonic() + WAIT_S
    found: list[str] = []
    while not found:
        assert time.monotonic() < end
        with StoredRun(run) as stored:
            found = [r.topic for r in stored.records() if isinstance(r, Arrived)]
    assert found == ["cap/level"]


def test_it_ends_by_itself_after_the_time_asked_for(tmp_path: Path) -> None:
    pty, run = Pty(), tmp_path / "soak"
    path = bench(tmp_path, PORT.format(path=pty.path))
    with Recorder(path, "-o", run, "--for", "500ms") as recorder:
        assert recorder.ended() == 0
    with StoredRun(run) as stored:
        (session,) = stored.sessions()
    assert session.ended_ns is not None
    assert 400_000_000 < session.ended_ns - session.started_ns < 20_000_000_000


def test_a_silence_is_one_line_as_it_comes_and_decides_the_exit_code(tmp_path: Path) -> None:
    pty, run = Pty(), tmp_path / "soak"
    path = bench(tmp_path, PORT.format(path=pty.path), SILENT)
    with Recorder(path, "-o", run) as recorder:
        recorder.wait_for("controller: opened")
        recorder.wait_for("polls: nothing came in 1.", 1)
        recorder.send(signal.SIGINT)
        code = recorder.ended()
    (line,) = recorder.stdout.splitlines()
    assert line.startswith("fault ")
    assert code == 1


def test_findings_as_json_are_one_object_a_line(tmp_path: Path) -> None:
    pty, run = Pty(), tmp_path / "soak"
    path = bench(tmp_path, PORT.format(path=pty.path), SILENT)
    with Recorder(path, "-o", run, "--json", "--quiet") as recorder:
        recorder.wait_for('"event": "raised"')
        pty.send(b"poll 1\r\n")
        recorder.wait_for('"event": "over"')
        recorder.wait_for('"event": "raised"', 2)
        recorder.send(signal.SIGINT)
        recorder.ended()
    events = [json.loads(line) for line in recorder.stdout.splitlines()]
    assert [event["event"] for event in events] == ["raised", "over", "raised"]
    assert events[0]["t_ns"] == events[1]["t_ns"] < events[2]["t_ns"]
    assert {event["rule"] for event in events} == {"cadence"}
    assert recorder.stderr == ""


def test_a_program_is_run_for_a_finding(tmp_path: Path) -> None:
    pty, run, kept = Pty(), tmp_path / "soak", tmp_path / "kept"
    path = bench(tmp_path, PORT.format(path=pty.path), SILENT)
    program = f"sh -c 'cat > {shlex.quote(str(kept))}'"
    with Recorder(path, "-o", run, "--on-finding", program) as recorder:
        recorder.wait_for("fault")
        recorder.send(signal.SIGINT)
        recorder.ended()
    found = json.loads(kept.read_text("utf-8"))
    assert (found["event"], found["rule"]) == ("raised", "cadence")


def test_a_program_is_never_run_because_a_bench_file_says_so(
    tmp_path: Path, lastack: Lastack
) -> None:
    made = tmp_path / "made"
    for line in (f'on_finding = "touch {made}"', f'on-finding = "touch {made}"'):
        for text in (
            f"{line}\n{SILENT}",
            f"{SILENT}{line}",
            f"{PORT.format(path='loop://')}{line}",
        ):
            path = tmp_path / "bench.toml"
            path.write_text(text, "utf-8")
            done = lastack("record", path, "-o", tmp_path / "soak", "--for", "2s")
            assert done.returncode == 2
            assert "unknown key" in done.stderr
    assert not made.exists()
    assert not (tmp_path / "soak").exists()


def test_an_adapter_that_comes_back_is_recorded_again(tmp_path: Path) -> None:
    first, second, link, run = Pty(), Pty(), tmp_path / "adapter", tmp_path / "soak"
    point(link, first.path)
    with Recorder(bench(tmp_path, PORT.format(path=link)), "-o", run) as recorder:
        recorder.wait_for("opened")
        first.send(b"before ")
        wait_until_stored(run, b"before ")
        link.unlink()
        first.unplug()
        recorder.wait_for("controller: closed: the device went away")
        point(link, second.path)
        recorder.wait_for("opened", 2)
        second.send(b"after")
        wait_until_stored(run, b"before after")


def test_a_recording_that_was_killed_opens_clean_and_goes_on(tmp_path: Path) -> None:
    pty, run = Pty(), tmp_path / "soak"
    path = bench(tmp_path, PORT.format(path=pty.path))
    with Recorder(path, "-o", run) as recorder:
        recorder.wait_for("opened")
        pty.send(b"before ")
        wait_until_stored(run, b"before ")
        recorder.send(signal.SIGKILL)
        assert recorder.ended() == -signal.SIGKILL
    assert data_of(run) == b"before "
    with Recorder(path, "-o", run, "--append") as again:
        again.wait_for("opened")
        pty.send(b"after")
        wait_until_stored(run, b"before after")
        again.send(signal.SIGTERM)
        assert again.ended() == 0
    with StoredRun(run) as stored:
        ends = [session.ended_ns is not None for session in stored.sessions()]
    assert ends == [False, True]


def test_a_full_disk_is_told_at_once_and_the_recording_goes_on(tmp_path: Path) -> None:
    pty, run = Pty(), tmp_path / "soak"
    path = bench(tmp_path, PORT.format(path=pty.path))
    with Recorder(path, "-o", run, most_bytes=150_000) as recorder:
        recorder.wait_for("opened")
        for _ in range(100):
            pty.send(b"x" * 3000 + b"\r\n")
        recorder.wait_for("disk")
        assert recorder.process.poll() is None
        recorder.send(signal.SIGINT)
        code = recorder.ended()
    assert code == 2  # what came last could not be stored
    assert "could not be stored" in recorder.stderr
    assert "Traceback" not in recorder.stderr


REQUIRED = "required = true\n"


def _no_port(_folder: Path) -> tuple[str, str]:
    return PORT.format(path="/dev/ttyNoSuchPort") + REQUIRED, "no such port"


def _not_a_port(folder: Path) -> tuple[str, str]:
    return PORT.format(path=folder) + REQUIRED, "it is not a serial port but a directory"


def _no_broker(_folder: Path) -> tuple[str, str]:
    return BROKER.format(port=free_port()) + REQUIRED, "nothing listens on 127.0.0.1"


def _no_host(_folder: Path) -> tuple[str, str]:
    text = '[[source]]\nname = "broker"\nkind = "messages"\nhost = "no-such-host.invalid"\n'
    return text + REQUIRED, "no-such-host.invalid"


def _no_folder(folder: Path) -> tuple[str, str]:
    text = f'[[source]]\nname = "wire"\nkind = "capture"\nfolder = "{folder / "nowhere"}"\n'
    return text + REQUIRED, "no such folder"


@pytest.mark.parametrize("made", [_no_port, _not_a_port, _no_broker, _no_host, _no_folder])
def test_what_is_required_and_cannot_be_opened_is_one_line_and_exit_2(
    tmp_path: Path, made: Callable[[Path], tuple[str, str]]
) -> None:
    text, words = made(tmp_path)
    with Recorder(bench(tmp_path, text), "-o", tmp_path / "soak") as recorder:
        code = recorder.ended()
    (line,) = recorder.stderr.splitlines()
    assert code == 2
    assert line.startswith("lastack: nothing is recorded: ")
    assert words in line
    assert not (tmp_path / "soak").exists()


def test_what_is_not_required_is_tried_again(tmp_path: Path) -> None:
    link, pty, run = tmp_path / "adapter", Pty(), tmp_path / "soak"
    with Recorder(bench(tmp_path, PORT.format(path=link)), "-o", run) as recorder:
        recorder.wait_for("controller: refused: no such port")
        recorder.wait_for("controller: retry: tried again every 100 ms to 1 s")
        point(link, pty.path)
        recorder.wait_for("controller: opened")
        recorder.send(signal.SIGINT)
        assert recorder.ended() == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.toml", "-o", "soak"], "nowhere.toml: No such file or directory"),
        (["bench.toml", "-o", "bench.toml"], "there is a file where the run's folder should be"),
        (["bench.toml"], "Missing option '-o'"),
        (["bench.toml", "-o", "soak", "--for", "10"], 'must be a number with a unit'),
        (["bench.toml", "-o", "soak", "--on-finding", "no-such-program"], "no program"),
        (["bench.toml", "-o", "soak", "--console"], "the console needs a terminal"),
    ],
)  # fmt: skip
def test_what_cannot_begin_is_told_and_leaves_nothing(
    tmp_path: Path, lastack: Lastack, arguments: list[str], words: str
) -> None:
    bench(tmp_path, PORT.format(path="loop://"))
    done = lastack("record", *arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bench.toml"]


def test_a_run_that_is_there_is_not_written_over(tmp_path: Path, lastack: Lastack) -> None:
    path = bench(tmp_path, PORT.format(path="loop://"))
    first = lastack("record", path, "-o", tmp_path / "soak", "--for", "200ms")
    second = lastack("record", path, "-o", tmp_path / "soak", "--for", "200ms")
    assert (first.returncode, second.returncode) == (0, 2)
    assert "go on with it (--append)" in second.stderr


def test_the_help_says_what_it_may_run_and_that_it_only_listens(lastack: Lastack) -> None:
    words = " ".join(lastack("record", "--help").stdout.split())
    assert "It listens only: nothing is sent to any port or broker" in words
    assert "A bench file cannot ask for that." in words
