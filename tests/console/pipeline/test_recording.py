"""A recording of real parts: ports are pseudo-terminals, the broker is a process of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.live import Step
from console.pipeline.raising import Told
from console.pipeline.recording import Around, Ears, Recording
from console.run.stored import StoredRun
from console.sources.records import Arrived, Chunk, Happened, Happening, Record
from decoders.errors import DiagnosticError
from tests.console.sources.brokers import Amqtt, running, send
from tests.console.sources.live import Pty, point

WAIT_S = 60.0
S = 1_000_000_000
SILENT = """
[[rule]]
kind = "cadence"
table = "prints"
name = "polls"
silence = "2s"
"""


def bench(folder: Path, *tables: str) -> Path:
    path = folder / "bench.toml"
    path.write_text('[bench]\nname = "cap line"\n' + "\n".join(tables), "utf-8")
    return path


def port(path: object, name: str = "controller", *more: str) -> str:
    told = "\n".join(more)
    return f'[[source]]\nname = "{name}"\nkind = "prints"\nport = "{path}"\nbaud = 115200\n{told}'


def broker(port: int, *more: str) -> str:
    told = "\n".join(more)
    return (
        f'[[source]]\nname = "broker"\nkind = "messages"\nhost = "127.0.0.1"\nport = {port}\n{told}'
    )


class Listener:
    """Hears a recording, and waits for what it is to hear."""

    def __init__(self) -> None:
        self.told: list[Told] = []
        self.happened: list[Happened] = []
        self._changed = threading.Condition()
        self.ears = Ears(self._take_told, self._take_happened)

    def _take_told(self, told: Told) -> None:
        with self._changed:
            self.told.append(told)
            self._changed.notify_all()

    def _take_happened(self, happened: Happened) -> None:
        with self._changed:
            self.happened.append(happened)
            self._changed.notify_all()

    def wait(self, enough: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(enough, WAIT_S), (self.told, self.happened[-5:])

    def wait_for(self, what: Happening, times: int = 1) -> None:
        self.wait(lambda: [row.what for row in self.happened].count(what) >= times)


def wait_until(enough: Callable[[], bool]) -> None:
    end = time.monotonic() + WAIT_S
    while not enough():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_port_and_a_broker_are_stored_as_they_came(tmp_path: Path) -> None:
    pty, listener, sent = Pty(), Listener(), [b"poll %d\r\n" % k for k in range(50)]
    with running(Amqtt()) as made:
        path = bench(tmp_path, port(pty.path), broker(made.port))
        recording = Recording(path, tmp_path / "run", ears=listener.ears)
        recording.start()
        listener.wait_for("opened", 2)
        listener.wait_for("subscribed")
        for line in sent:
            pty.send(line)
        send(made.port, ("cap/level", b'{"mm": 40}', 1, False))
        wait_until(lambda: sum(row.state.records for row in recording.state().sources) >= 2)
        wait_until(lambda: recording.source_states()[0].bytes == sum(map(len, sent)))
        wait_until(lambda: recording.source_states()[1].records == 1)
        recording.stop()
    with StoredRun(tmp_path / "run", full=True) as run:
        records = list(run.records())
        assert run.problems == ()
        assert run.name == "cap line"
        assert [(s.name, s.kind) for s in run.sources()] == [
            ("controller", "prints"), ("broker", "messages"),
        ]  # fmt: skip
        assert run.sessions()[-1].ended_ns is not None
    assert b"".join(r.data for r in records if isinstance(r, Chunk)) == b"".join(sent)
    assert [(r.topic, r.payload) for r in records if isinstance(r, Arrived)] == [
        ("cap/level", b'{"mm": 40}')
    ]


def test_silence_is_told_within_a_second_of_its_limit_though_nothing_comes(
    tmp_path: Path,
) -> None:
    pty, listener = Pty(), Listener()
    path = bench(tmp_path, port(pty.path), SILENT)
    recording = Recording(path, tmp_path / "run", ears=listener.ears)
    recording.start()
    listener.wait_for("opened")
    pty.send(b"poll 1\r\n")
    listener.wait(lambda: bool(listener.told))
    recording.stop()
    (told,) = [told for told in listener.told if not told.is_over]
    late_ns = told.raised_ns - told.finding.t_ns
    assert told.finding.summary.startswith("polls: nothing has come since")
    assert 2 * S < late_ns < 3 * S


def test_a_finding_is_stored_with_its_evidence_marked(tmp_path: Path) -> None:
    pty, listener = Pty(), Listener()
    path = bench(tmp_path, port(pty.path), SILENT)
    around = Around(before_ns=1 * S, after_ns=4 * S)
    recording = Recording(path, tmp_path / "run", ears=listener.ears, around=around)
    recording.start()
    listener.wait(lambda: bool(listener.told))
    wait_until(lambda: recording.state().findings == 1)
    recording.stop()
    with StoredRun(tmp_path / "run") as run:
        (raised,), (mark,) = run.findings(), run.marks()
        started_ns = run.sessions()[0].started_ns
    assert (raised.rule, raised.severity) == ("cadence", "fault")
    assert mark.finding == raised
    assert mark.kind == "evidence"
    assert mark.from_ns == max(raised.t_ns - 1 * S, recording.started_ns)
    assert mark.until_ns == raised.raised_ns + 4 * S
    assert recording.raised == {"fault": 1}
    assert 0 <= started_ns - recording.started_ns < S


def test_an_adapter_that_is_unplugged_and_plugged_in_again_goes_on(tmp_path: Path) -> None:
    first, second, link, listener = Pty(), Pty(), tmp_path / "adapter", Listener()
    point(link, first.path)
    path = bench(tmp_path, port(link, "controller", 'retry = ["100ms", "1s"]'))
    recording = Recording(path, tmp_path / "run", ears=listener.ears)
    recording.start()
    listener.wait_for("opened")
    first.send(b"before\r\n")
    wait_until(lambda: recording.source_states()[0].bytes == 8)
    link.unlink()
    first.unplug()
    listener.wait_for("closed")
    listener.wait(lambda: recording.source_states()[0].state == "waiting")
    point(link, second.path)
    listener.wait_for("opened", 2)
    second.send(b"after\r\n")
    wait_until(lambda: recording.source_states()[0].bytes == 15)
    recording.stop()
    with StoredRun(tmp_path / "run") as run:
        data = b"".join(r.data for r in run.records() if isinstance(r, Chunk))
    assert data == b"before\r\nafter\r\n"


def test_a_required_source_that_cannot_be_opened_leaves_no_run_behind(tmp_path: Path) -> None:
    pty = Pty()
    gone = port(tmp_path / "nowhere", "camera", "required = true")
    recording = Recording(bench(tmp_path, port(pty.path), gone), tmp_path / "run")
    recording.start()
    wait_until(lambda: bool(recording.failed()))
    recording.stop()
    recording.discard_if_empty()
    assert [(state.name, state.state) for state in recording.failed()] == [("camera", "failed")]
    assert not (tmp_path / "run").exists()


def test_a_run_with_data_is_never_taken_away(tmp_path: Path) -> None:
    pty = Pty()
    recording = Recording(bench(tmp_path, port(pty.path)), tmp_path / "run")
    recording.start()
    wait_until(lambda: recording.source_states()[0].state == "open")
    pty.send(b"x")
    wait_until(lambda: recording.source_states()[0].bytes == 1)
    recording.stop()
    recording.discard_if_empty()
    again = Recording(bench(tmp_path, port(pty.path)), tmp_path / "run", append=True)
    again.stop()
    again.discard_if_empty()
    with StoredRun(tmp_path / "run") as run:
        assert [r.data for r in run.records() if isinstance(r, Chunk)] == [b"x"]


def test_one_source_that_waits_is_no_reason_to_end(tmp_path: Path) -> None:
    pty = Pty()
    gone = port(tmp_path / "nowhere", "camera")
    recording = Recording(bench(tmp_path, port(pty.path), gone), tmp_path / "run")
    recording.start()
    wait_until(lambda: [s.state for s in recording.source_states()] == ["open", "waiting"])
    state = recording.state()
    recording.stop()
    assert recording.failed() == []
    assert state.open_sources == 1
    assert state.sources[1].state.why.startswith("no such port")
    assert (state.is_over, recording.state().is_over) == (False, True)


def test_two_recorders_at_one_run_are_refused(tmp_path: Path) -> None:
    pty = Pty()
    path = bench(tmp_path, port(pty.path))
    recording = Recording(path, tmp_path / "run")
    with pytest.raises(DiagnosticError, match="another recorder is at it"):
        Recording(path, tmp_path / "run", append=True)
    recording.stop()


def test_what_is_not_recorded_or_watched_is_said(tmp_path: Path) -> None:
    pty = Pty()
    file = '[[source]]\nname = "old log"\nkind = "prints"\npath = "old.log"\n'
    rule = '[[rule]]\nkind = "stops-answering"\nname = "camera silent"\n'
    recording = Recording(bench(tmp_path, port(pty.path), file, rule), tmp_path / "run")
    recording.stop()
    assert recording.remarks == [
        "not recorded, since they are files: old log",
        "not watched while recording, since they need a capture: camera silent",
    ]


def test_nothing_is_written_to_a_port(tmp_path: Path) -> None:
    pty = Pty()
    recording = Recording(bench(tmp_path, port(pty.path)), tmp_path / "run")
    recording.start()
    wait_until(lambda: recording.source_states()[0].state == "open")
    recording.stop()
    assert pty.written() == b""


class Seen:
    """A fold that keeps what it is fed."""

    unwatched = ()

    def __init__(self) -> None:
        self.records: list[Record] = []

    def feed(self, records: Iterable[Record]) -> None:
        self.records += records

    def until(self, now_ns: int) -> Step:
        return Step()

    def finish(self, until_ns: int) -> Step:
        return Step()


def test_the_rules_see_what_is_stored_in_the_order_it_is_stored(tmp_path: Path) -> None:
    seen = Seen()
    path = bench(tmp_path, port("loop://"))
    recording = Recording(path, tmp_path / "run", fold=lambda _file, _start_ns: seen)
    recording.start()

    def talk(name: str) -> None:
        for k in range(2000):
            recording.put(Chunk(name, recording.clock(), b"%d" % k))

    threads = [threading.Thread(target=talk, args=(f"port {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    recording.stop()
    with StoredRun(tmp_path / "run") as run:
        assert [record for _, record in run.records_after()] == seen.records
    assert len(seen.records) >= 8000


def test_what_was_raised_live_is_found_again_in_the_run(tmp_path: Path) -> None:
    pty, listener = Pty(), Listener()
    recording = Recording(
        bench(tmp_path, port(pty.path), SILENT), tmp_path / "run", ears=listener.ears
    )
    recording.start()
    listener.wait_for("opened")
    pty.send(b"poll 1\r\n")
    listener.wait(lambda: len(listener.told) == 1)  # silent
    pty.send(b"poll 2\r\n")
    listener.wait(lambda: len(listener.told) == 2)  # no more
    recording.stop()
    again = gathered(settled([str(tmp_path / "run")], Overrides())).findings
    over = [told.finding for told in listener.told if told.is_over]
    assert [(f.rule, f.t_ns, f.party) for f in again] == [(f.rule, f.t_ns, f.party) for f in over]
    assert [f.evidence["silent_ns"] for f in again] == [f.evidence["silent_ns"] for f in over]
