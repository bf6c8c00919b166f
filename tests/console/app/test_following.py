from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from textual.message import Message

from console.app.following import WHOLE_RECORDS, Follower, is_followed
from console.app.loading import Begun, Ended, Failed, Shown
from console.app.run_view import Held, RunView
from console.app.state.request import Request
from tests.console.app.growing_runs import APART_NS, Growing
from tests.console.app.runs_on_disk import small_run

WAIT_S = 60.0


class Told:
    """What a follower says, to be waited for."""

    def __init__(self, folder: Path) -> None:
        self.said: list[Message] = []
        self._changed = threading.Condition()
        self.follower = Follower(Request((str(folder),)), self._take)

    def _take(self, message: Message) -> None:
        with self._changed:
            self.said.append(message)
            self._changed.notify_all()

    @property
    def views(self) -> list[RunView]:
        return [message.view for message in self.said if isinstance(message, Shown)]

    def until(self, enough: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(enough, WAIT_S), self.said[-3:]

    def until_looked_again(self) -> None:
        """Wait for its next look at the run, of which nothing is said."""
        state, end = self.follower.state, time.monotonic() + WAIT_S
        while self.follower.state is state:
            assert time.monotonic() < end
            time.sleep(0.02)

    def until_lines(self, count: int) -> RunView:
        self.until(lambda: bool(self.views) and lines(self.views[-1]) == count)
        return self.views[-1]


def lines(view: RunView) -> int:
    return view.tables["prints"].height


@pytest.fixture
def growing(tmp_path: Path) -> Iterator[Growing]:
    run = Growing(tmp_path / "soak")
    yield run
    run.writer.close()


@pytest.fixture
def told(growing: Growing) -> Iterator[Told]:
    found = Told(growing.folder)
    found.follower.start()
    yield found
    found.follower.abandon()
    assert found.follower.join(WAIT_S)


def test_a_run_that_is_recorded_is_followed_and_files_are_not(
    growing: Growing, tmp_path: Path
) -> None:
    files = small_run(tmp_path)
    assert is_followed(Request((str(growing.folder),)))
    assert not is_followed(Request((files,)))
    assert not is_followed(Request(("-",)))
    assert not is_followed(Request((str(growing.folder), files)))


def test_a_small_run_that_is_over_is_read_whole(growing: Growing) -> None:
    growing.writer.close()
    assert not is_followed(Request((str(growing.folder),)))


def test_a_large_run_that_is_over_is_not_read_whole(
    growing: Growing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("console.app.following.WHOLE_RECORDS", 50)
    growing.writer.close()
    assert is_followed(Request((str(growing.folder),)))
    assert WHOLE_RECORDS > 1000


def test_what_is_there_is_shown_and_then_what_comes(growing: Growing, told: Told) -> None:
    first = told.until_lines(100)
    growing.print_lines(20)
    then = told.until_lines(120)
    assert [type(message) for message in told.said[:2]] == [Begun, Shown]
    assert first.held is not None
    assert (first.held.is_newest, first.held.grows) == (True, True)
    assert then.end_ns > first.end_ns
    assert then.start_ns == first.start_ns


def test_nothing_newer_is_shown_to_somebody_who_looks_at_something(
    growing: Growing, told: Told
) -> None:
    told.until_lines(100)
    told.follower.hold()
    growing.print_lines(20)
    told.until_looked_again()
    told.until_looked_again()
    shown = lines(told.views[-1])
    told.follower.look_at(None)
    told.until_lines(120)
    assert shown == 100


def test_another_part_is_shown_when_it_is_asked_for(
    growing: Growing, told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    import console.pipeline.run_window as window

    whole = window.part_around
    monkeypatch.setattr(window, "part_around", lambda run, t_ns: whole(run, t_ns, 50))
    growing.print_lines(1000)
    told.until_lines(1100)
    view = told.views[-1]
    monkeypatch.setattr("console.app.following._has", lambda _part, _t_ns: False)
    told.follower.look_at(growing.start_ns + 500 * APART_NS)
    told.until(lambda: told.views[-1] is not view)
    held = told.views[-1].held
    assert held is not None
    assert held.span_ns[0] <= growing.start_ns + 500 * APART_NS <= held.span_ns[1]
    assert not held.is_newest
    assert lines(told.views[-1]) < 1100


def test_the_end_of_a_recording_is_shown(growing: Growing, told: Told) -> None:
    told.until_lines(100)
    growing.writer.close()
    told.until(lambda: told.views[-1].held is not None and not _held(told.views[-1]).grows)
    assert told.follower.state is not None
    assert told.follower.state.is_over


def test_a_run_that_cannot_be_opened_is_told(tmp_path: Path) -> None:
    told = Told(tmp_path / "nowhere")
    told.follower.start()
    told.until(lambda: any(isinstance(message, Ended) for message in told.said))
    (failed,) = [message for message in told.said if isinstance(message, Failed)]
    assert "there is no run here" in str(failed.error)


def test_the_state_tells_of_sources_and_disk(growing: Growing, told: Told) -> None:
    told.until_lines(100)
    state = told.follower.state
    assert state is not None
    assert [row.state.state for row in state.sources] == ["open", "waiting"]
    assert state.disk_free_bytes is not None


def _held(view: RunView) -> Held:
    assert view.held is not None
    return view.held
