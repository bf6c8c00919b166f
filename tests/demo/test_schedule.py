"""Events, programs and dice."""

from __future__ import annotations

import pytest

from captures_demo.simulator.dice import Dice
from captures_demo.simulator.schedule import Lock, Mailbox, Program, Schedule


def test_events_of_one_time_happen_in_the_order_of_asking() -> None:
    schedule = Schedule()
    seen: list[object] = []
    for at_ns, name in ((20, "late"), (10, "first"), (10, "second")):
        schedule.at(at_ns, seen.append, name)
    schedule.run(15)
    assert seen == ["first", "second"]
    assert schedule.now_ns == 15
    schedule.run_out()
    assert seen == ["first", "second", "late"]


def test_event_in_the_past_is_refused() -> None:
    schedule = Schedule()
    schedule.run(100)
    with pytest.raises(ValueError, match="99 ns is before now, 100 ns"):
        schedule.at(99, print)


def test_program_sleeps_waits_for_another_and_gets_its_result() -> None:
    schedule = Schedule()

    def inner() -> Program[str]:
        yield 30
        return "done"

    def outer() -> Program[tuple[int, str, str]]:
        yield 5
        task = schedule.start(inner())
        first = yield task
        at_ns = schedule.now_ns
        again = yield task  # it has ended long ago
        return at_ns, first, again

    task = schedule.start(outer(), at_ns=100)
    schedule.run_out()
    assert task.result == (135, "done", "done")


def test_lock_lets_programs_in_one_after_the_other() -> None:
    schedule = Schedule()
    lock = Lock(schedule)
    seen: list[tuple[str, int]] = []

    def worker(name: str) -> Program[None]:
        yield lock
        seen.append((name, schedule.now_ns))
        yield 10
        lock.release()

    for name in ("a", "b", "c"):
        schedule.start(worker(name))
    schedule.run_out()
    assert seen == [("a", 0), ("b", 10), ("c", 20)]


def test_mailbox_keeps_letters_for_a_busy_reader() -> None:
    schedule = Schedule()
    box: Mailbox[str] = Mailbox(schedule)
    seen: list[tuple[str, int]] = []

    def reader() -> Program[None]:
        while True:
            letter = yield box
            seen.append((letter, schedule.now_ns))
            yield 100

    schedule.start(reader())
    for at_ns, letter in ((50, "a"), (60, "b"), (500, "c")):
        schedule.at(at_ns, box.put, letter)
    schedule.run_out()
    assert seen == [("a", 50), ("b", 150), ("c", 500)]


# PCG64 seeded by SeedSequence has a stream that numpy keeps (NEP 19); these were drawn once. A
# change here would change every byte of the demo.
def test_dice_are_the_same_for_ever() -> None:
    dice = Dice(1, "anything")
    assert [dice.below(1_000) for _ in range(6)] == [171, 21, 881, 174, 712, 921]


def test_dice_of_another_name_or_seed_are_others() -> None:
    rows = [
        [dice.below(1_000) for _ in range(20)]
        for dice in (Dice(1, "a"), Dice(1, "b"), Dice(2, "a"), Dice(1, "a"))
    ]
    assert rows[0] == rows[3]
    assert rows[0] != rows[1]
    assert rows[0] != rows[2]


def test_dice_keep_their_ranges_and_means() -> None:
    dice = Dice(3, "range")
    assert {dice.between(-2, 2) for _ in range(200)} == {-2, -1, 0, 1, 2}
    waits = [dice.exponential(100.0) for _ in range(4_000)]
    assert min(waits) >= 0
    assert 95 < sum(waits) / len(waits) < 105  # standard deviation 1.6
    assert 330 < sum(dice.chance(0.1) for _ in range(4_000)) < 470  # 400, standard deviation 19
