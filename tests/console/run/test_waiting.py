from __future__ import annotations

import threading

import pytest

from console.run.rows import Loss, Mark
from console.run.waiting import Waiting
from console.sources.records import Chunk, Happened
from tests.console.run.making import FARTHEST_NS, START_NS, lines

ROOMY = 1 << 20


def test_what_was_put_is_taken_in_order() -> None:
    waiting = Waiting(ROOMY, ROOMY)
    mark = Mark(1, 2, "user")
    records = lines(3)
    for record in records:
        assert waiting.put(record)
    waiting.add(mark)
    batch = waiting.take()
    assert batch.items == [*records, mark]
    assert batch.records == 3
    assert waiting.take().items == []


def test_records_count_until_they_are_stored() -> None:
    waiting = Waiting(ROOMY, ROOMY)
    for record in lines(5):
        waiting.put(record)
    waiting.take()
    waiting.put(lines(1)[0])
    assert waiting.queued == 6
    assert waiting.lag_s > 0
    waiting.stored()
    assert waiting.queued == 1
    waiting.take()
    waiting.stored()
    assert (waiting.queued, waiting.held_bytes, waiting.lag_s) == (0, 0, 0.0)


def test_what_has_no_room_is_refused_and_told_after_what_had() -> None:
    waiting = Waiting(1000, 1000)
    waiting.why = "the disk is full"
    records = [Chunk("controller", START_NS + k, b"x" * 100) for k in range(10)]
    taken = [waiting.put(record) for record in records]
    assert taken == [True] * 3 + [False] * 7  # 100 bytes and an object of about 200 each
    assert waiting.lost == 7
    assert waiting.unstored == 10
    batch = waiting.take()
    detail = "7 records with 700 bytes were not stored: the disk is full"
    assert batch.items == [
        *records[:3],
        Happened("controller", START_NS + 9, "lost", detail),
        Loss("controller", START_NS + 3, START_NS + 9, 7, 700, "the disk is full"),
    ]
    assert batch.records == 4
    assert waiting.unstored == 4


def test_once_something_is_refused_so_is_all_that_follows() -> None:
    waiting = Waiting(1000, 1000)
    large, small = Chunk("a", 1, b"x" * 900), Chunk("b", 2, b"")
    assert not waiting.put(large)
    assert not waiting.put(small)  # or the order of b and a's loss would be wrong
    told = [item for item in waiting.take().items if isinstance(item, Happened)]
    assert [(item.source, item.t_ns) for item in told] == [("a", 1), ("b", 2)]
    assert waiting.put(small)


def test_room_is_taken_by_what_is_being_written_too() -> None:
    waiting = Waiting(1000, 1000)
    waiting.put(Chunk("a", 1, b"x" * 700))
    waiting.take()
    assert not waiting.put(Chunk("a", 2, b"x" * 700))


@pytest.mark.parametrize("t_ns", [FARTHEST_NS + 1, -FARTHEST_NS - 1])
def test_a_stamp_that_no_column_holds_is_refused(t_ns: int) -> None:
    with pytest.raises(ValueError, match=str(t_ns)):
        Waiting(ROOMY, ROOMY).put(Chunk("a", t_ns, b""))


def test_nothing_is_taken_once_it_is_closed() -> None:
    waiting = Waiting(ROOMY, ROOMY)
    waiting.close()
    with pytest.raises(ValueError, match="closed"):
        waiting.put(lines(1)[0])


def test_the_writer_is_woken_when_much_waits() -> None:
    waiting = Waiting(ROOMY, 1000)
    woken = threading.Thread(target=waiting.wait, args=(60.0, 60.0))
    woken.start()
    for record in lines(10):
        waiting.put(record)
    woken.join(10.0)
    assert not woken.is_alive()


def test_the_number_of_the_next_batch_is_told() -> None:
    waiting = Waiting(ROOMY, ROOMY)
    number = waiting.wake()
    assert waiting.take().number == number
