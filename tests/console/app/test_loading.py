from __future__ import annotations

import os
import queue
import threading
from pathlib import Path

import pytest
from textual.message import Message

from console.app.loading import Begun, Ended, Failed, Loader, Shown, settled_view
from console.app.state.kept import KeptDecisions
from console.app.state.request import Request
from tests.console.app.runs_on_disk import LOG, small_run

PATIENCE_S = 60


class Told:
    """What a loader says, to be waited for."""

    def __init__(self, request: Request) -> None:
        self.said: list[Message] = []
        self._queue: queue.Queue[Message] = queue.Queue()
        self.threads: set[str] = set()
        self.loader = Loader(request, self._take)

    def _take(self, message: Message) -> None:
        self.threads.add(threading.current_thread().name)
        self._queue.put(message)

    def next(self) -> Message:
        message = self._queue.get(timeout=PATIENCE_S)
        self.said.append(message)
        return message

    def all(self) -> list[Message]:
        while not isinstance(self.next(), Ended):
            pass
        return self.said

    def views(self) -> list[Shown]:
        return [message for message in self.said if isinstance(message, Shown)]


def loaded(*paths: str) -> Told:
    told = Told(Request(paths))
    told.loader.start()
    told.all()
    return told


def test_every_source_is_shown_when_it_was_read_and_the_last_time_all_are(tmp_path: Path) -> None:
    told = loaded(small_run(tmp_path))
    first, last = told.views()
    assert [type(message) for message in told.said] == [Begun, Shown, Shown, Ended]
    assert [s.name for s in first.view.evidence.sources] == ["board"]  # the smaller file
    assert (first.whole, first.view.evidence.interrupted) == (False, True)
    assert [s.name for s in last.view.evidence.sources] == ["board", "broker"]
    assert (last.whole, last.view.evidence.interrupted) == (True, False)


def test_nothing_is_said_from_the_thread_that_draws(tmp_path: Path) -> None:
    assert loaded(small_run(tmp_path)).threads == {"loading"}


def test_the_run_is_named_as_soon_as_it_is_settled(tmp_path: Path) -> None:
    begun = loaded(small_run(tmp_path)).said[0]
    assert isinstance(begun, Begun)
    assert begun.name == "cellar"


def test_a_captures_turn_comes_after_a_log_that_is_larger(tmp_path: Path) -> None:
    (tmp_path / "wire.csv").write_text("time_ns,scl,sda\n0,1,1\n1000,1,0\n2000,0,0\n")
    (tmp_path / "board.log").write_text(LOG)
    told = loaded(str(tmp_path / "wire.csv"), str(tmp_path / "board.log"))
    first, last = told.views()
    assert [s.name for s in first.view.evidence.sources] == ["board"]
    assert [s.name for s in last.view.evidence.sources] == ["wire", "board"]


def test_a_source_that_cannot_be_read_is_told_and_the_others_are_shown(tmp_path: Path) -> None:
    bad, good = tmp_path / "bad.csv", tmp_path / "board.log"
    bad.write_text("time,scl,sda\n0.1,1\n0.2,1\n")
    good.write_text(LOG)
    told = loaded(str(bad), str(good))
    (failed,) = [message for message in told.said if isinstance(message, Failed)]
    last = told.views()[-1]
    assert str(failed.error.place) == f"{bad}:2"
    assert [s.name for s in last.view.evidence.sources] == ["board"]
    assert last.view.evidence.interrupted


def test_a_bench_that_is_refused_is_told_with_its_line(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text('[bench]\nnmae = "x"\n')
    told = loaded(str(bench))
    failed = told.said[0]
    assert isinstance(failed, Failed)
    assert str(failed.error.place).startswith(f"{bench}:2")
    assert (told.views(), told.loader.reading) == ([], None)


def test_a_pipe_that_stalls_can_be_stopped_and_what_came_is_shown(tmp_path: Path) -> None:
    pipe = tmp_path / "board.log"
    os.mkfifo(pipe)
    writer = os.open(pipe, os.O_RDWR)
    os.write(writer, LOG.encode())
    told = Told(Request((str(pipe),)))
    told.loader.start()
    told.loader.stop()
    told.all()
    os.close(writer)
    view = told.views()[-1].view
    assert len(view.tables["prints"]) > 0
    assert view.evidence.interrupted
    assert told.loader.progress.stopped_at == "board"


def test_a_pipe_without_a_writer_keeps_nobody_who_leaves(tmp_path: Path) -> None:
    pipe = tmp_path / "board.log"
    os.mkfifo(pipe)
    told = Told(Request((str(pipe),)))
    told.loader.start()
    told.loader.abandon()
    assert told.loader.join(PATIENCE_S)


def test_what_was_abandoned_says_nothing_more(tmp_path: Path) -> None:
    told = Told(Request((small_run(tmp_path),)))
    told.loader.abandon()
    told.loader.start()
    assert told.loader.join(PATIENCE_S)
    with pytest.raises(queue.Empty):
        told._queue.get_nowait()


def test_a_bug_of_ours_is_handed_on_and_not_swallowed(tmp_path: Path) -> None:
    told = Told(Request((small_run(tmp_path),), {"no_such_override": 1}))
    told.loader.start()
    (ended,) = told.all()
    assert isinstance(ended, Ended)
    assert isinstance(ended.crash, TypeError)


def test_one_reading_can_be_settled_again(tmp_path: Path) -> None:
    told = loaded(small_run(tmp_path))
    assert told.loader.reading is not None
    again = settled_view(told.loader.reading, {"board": KeptDecisions()})
    assert again.evidence.findings == told.views()[-1].view.evidence.findings


def test_a_large_run_is_shown_before_its_links_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("console.app.loading.LINKED_LATER", 0)
    *before, last = loaded(small_run(tmp_path)).views()
    assert ["links" in shown.view.tables for shown in before] == [False, False]
    assert ("links" in last.view.tables, last.whole) == (True, True)
