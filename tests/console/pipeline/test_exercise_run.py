"""Exercises over records as they come, with made-up senders; no port, no broker."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from console.bench.load import load_bench
from console.pipeline import exercise_run
from console.pipeline.exercise_run import ExerciseRun, Rows, awaited
from console.sources.records import Arrived, Chunk, Happened, HostClock
from console.sources.sender import Outgoing, SendError, Sent
from console.sources.transmit import Transmit
from tests.console.pipeline.exercises import (
    BENCH,
    MS,
    PUBLISH,
    REACHED,
    START_NS,
    STATE,
    S,
    exercise,
    repeated,
)
from tests.console.sources.live import WAIT_S, Records


class Made:
    """A sender that does what a test says, and the run it sends for."""

    def __init__(self, *steps: str, sends: Callable[[ExerciseRun, Outgoing], None]) -> None:
        self.clock, self.records, self.right = HostClock(), Records(), Transmit()
        self.sent: list[Outgoing] = []
        self.closed = 0
        self._sends = sends
        file = exercise(*steps)
        senders = {"broker": self, "controller": self}
        self.run = ExerciseRun(file, BENCH, senders, self.right, self.records.put, self.clock)

    def send(self, what: Outgoing, timeout_s: float) -> Sent:
        self.sent.append(what)
        began_ns = self.clock()
        self._sends(self.run, what)
        return Sent(began_ns, self.clock())

    def close(self) -> None:
        self.closed += 1

    def play(self) -> list[str]:
        """From the opening of its sources to its end; what it told."""
        self.run.start()
        self.run.hear(Happened("controller", self.clock(), "opened"))
        self.run.hear(Happened("broker", self.clock(), "subscribed"))
        self.records.wait_for("closed")
        self.run.stop()
        return [r.detail for r in self.records.all if isinstance(r, Happened)]


def test_answers_to_what_was_sent_are_met() -> None:
    def answers(run: ExerciseRun, _what: Outgoing) -> None:
        run.hear(Arrived("broker", made.clock(), "capline/diverter/state", b"{}"))

    made = Made(repeated(3, PUBLISH, STATE), sends=answers)
    assert made.play()[-1] == "done: 6 steps done, 0 missed"
    assert (len(made.sent), made.closed) == (3, 2)  # one sender stands for two


def test_a_sender_that_fails_is_told_and_ends_it() -> None:
    def refuses(_run: ExerciseRun, _what: Outgoing) -> None:
        raise SendError("nobody there")

    told = Made(PUBLISH, PUBLISH, sends=refuses).play()
    assert told[-2].startswith("missed: step 1: was not sent: nobody there")
    assert told[-1] == "stopped at what was missed: 0 steps done, 1 missed"


def test_a_fault_of_the_program_while_sending_is_missed_and_no_hang() -> None:
    def breaks(_run: ExerciseRun, _what: Outgoing) -> None:
        raise ZeroDivisionError

    told = Made(PUBLISH, sends=breaks).play()
    assert told[-2].startswith("missed: step 1: was not sent: a fault of the program")


def test_a_sender_that_never_returns_does_not_hold_the_exercise() -> None:
    hold = threading.Event()

    def hangs(_run: ExerciseRun, _what: Outgoing) -> None:
        hold.wait(WAIT_S)

    made = Made(PUBLISH + 'timeout = "100ms"\n', sends=hangs)
    made.run.start()
    made.run.hear(Happened("broker", made.clock(), "subscribed"))
    made.records.wait_for("closed")
    hold.set()
    made.run.stop()
    assert any(
        "nobody tells whether it was sent" in words for words in made.records.details("note")
    )


def test_stopping_takes_the_right_to_send_back() -> None:
    made = Made(repeated(1000, PUBLISH), sends=lambda _run, _what: None)
    made.run.start()
    made.run.hear(Happened("broker", made.clock(), "subscribed"))
    made.records.wait(lambda: bool(made.sent))
    made.run.stop()
    assert (made.right.is_over, made.run.is_over) == (True, True)
    assert made.records.details("closed")[0].startswith("stopped")


def test_what_is_under_way_as_the_right_is_taken_back_is_stopped_and_not_missed() -> None:
    def is_stopped(_run: ExerciseRun, _what: Outgoing) -> None:
        made.right.end()  # as the handler of Ctrl-C does
        raise SendError("sending was ended")

    made = Made(PUBLISH, sends=is_stopped)
    assert made.play()[-1] == "stopped: 0 steps done, 0 missed"
    assert not any("missed" in words for words in made.records.details("note"))


def test_before_its_sources_are_open_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exercise_run, "OPEN_NS", 50 * MS)
    made = Made(PUBLISH, REACHED, sends=lambda _run, _what: None)
    made.run.start()
    made.run.hear(Happened("broker", made.clock(), "subscribed"))
    made.records.wait_for("note")
    made.run.stop()
    assert made.records.details("note")[0].startswith("missed: not begun: controller not open")
    assert made.sent == []


def test_it_waits_for_the_sources_its_steps_are_about() -> None:
    assert awaited(exercise(PUBLISH, REACHED), BENCH) == {
        "broker": "subscribed",
        "controller": "opened",
    }


def test_a_line_is_not_stamped_earlier_than_it_was_read() -> None:
    rows = Rows(load_bench('[[source]]\nname="c"\nkind="prints"\nport="/dev/a"\nbaud=300', "b"))
    rows.feed([Chunk("c", START_NS, b"gate left reached\r\n")])
    tables, _ = rows.until(START_NS + 2 * S)  # the form of the first lines' stamps is awaited
    assert tables["prints"]["t_ns"].to_list() == [START_NS]


def test_what_is_known_ends_before_a_line_that_is_not_whole() -> None:
    rows = Rows(BENCH)
    rows.feed([Chunk("controller", START_NS, b"gate le")])
    assert rows.until(START_NS + 500 * MS)[1] == START_NS
    assert rows.until(START_NS + 2 * S)[1] == START_NS + 2 * S
