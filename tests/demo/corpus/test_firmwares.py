"""What firmware runs out of, and what it trips over."""

from __future__ import annotations

import itertools
import re

import pytest

from tests.demo.corpus.evidence import MILLI, Seen, pair

FREE = re.compile(r"alloc (\d+) failed, free (\d+) largest (\d+)")
BLOCK = re.compile(r"heap (\d+) block (\d+)")


@pytest.mark.parametrize("variant", [0, 1])
def test_timers_stop_as_the_counter_passes_a_power_of_two_and_messages_go_on(variant: int) -> None:
    run, twin = pair("tick-rollover", variant)
    top = int(run.label.note.split()[-1])
    assert top in (2**31, 2**32)
    ticks = [line.tick for line in run.truth.prints if line.t_ns < run.wrong_ns]
    assert 0 < (top - ticks[-1]) < 2_000_000
    assert run.edges_after(run.wrong_ns + 10 * MILLI) == 0
    assert run.at_end() == "H/H"
    later = run.prints("", run.wrong_ns + 10 * MILLI)
    assert len(later) >= 2
    assert all(line.text.startswith("divert") for line in later)
    assert twin.edges_after(run.wrong_ns) > 1_000  # it wraps as well


def test_polls_fail_from_a_count_on_with_free_lines_and_no_edge_of_theirs() -> None:
    run, twin = pair("counter-runs-out", 1)
    count = int(run.label.note.split()[0])
    reads = run.reads()
    assert len(reads) == count - 1
    assert count in (125, 127, 128, 253, 255, 256)
    assert run.of_part(run.wrong_ns) == []
    name = run.part["name"]
    assert len([p for p in run.prints(name, run.wrong_ns) if p.level == "W"]) >= 20
    assert len(twin.reads()) > count + 20


def test_one_size_fails_while_most_of_the_heap_is_free_after_steps_at_reconnects() -> None:
    run, twin = pair("heap-starvation")
    failed = [FREE.search(line.text) for line in run.prints("alloc")]
    numbers = [tuple(map(int, found.groups())) for found in failed if found]
    assert len(numbers) >= 20
    assert {size for size, _, _ in numbers} == {2312}
    assert all(free > 20_000 and largest < size for size, free, largest in numbers)
    assert falling(run)
    assert blocks(twin) == {22_528}
    assert len(run.prints("net: link lost")) == len(twin.prints("net: link lost")) >= 5


def blocks(seen: Seen) -> set[int]:
    found = [BLOCK.search(line.text) for line in seen.prints("block")]
    return {int(one[2]) for one in found if one}


def falling(seen: Seen) -> bool:
    found = [BLOCK.search(line.text) for line in seen.prints("net: connected")]
    sizes = [int(one[2]) for one in found if one]
    return sizes == sorted(sizes, reverse=True) and sizes[0] - sizes[-1] > 15_000


def test_each_bus_fault_is_followed_by_a_watchdog_and_the_uptime_is_a_saw_tooth() -> None:
    run, twin = pair("interrupt-storm")
    banners = run.prints("reset by watchdog")
    assert len(banners) >= 3
    ticks = [line.tick for line in run.truth.prints]
    drops = sum(b < a for a, b in itertools.pairwise(ticks))
    assert drops == len(banners)
    for banner in banners:
        before = [row for row in run.rows() if row.start_ns < banner.t_ns][-1]
        assert (before.address, before.acks) == (run.address, "N")
        assert before.ended_by != "stop"
        assert banner.t_ns - before.start_ns > 100 * MILLI  # nothing happens meanwhile
    assert twin.prints("reset by watchdog") == []


def test_the_scale_is_asked_and_answers_on_the_wire_and_the_board_hears_nothing() -> None:
    run, twin = pair("deaf-uart")
    timeouts = run.prints("scale: timeout", run.wrong_ns)
    assert len(timeouts) >= 20
    assert run.prints(" g, request", run.wrong_ns) == []
    for line in ("scale_rx", "scale_tx"):
        mine, same = run.changes(line)[0], twin.changes(line)[0]
        assert mine.tolist() == same.tolist()
        assert (mine > run.wrong_ns).sum() > 400
    assert twin.prints("scale: timeout") == []
    # the burst before: some 30 bytes end to end, no gap above a byte
    edges = run.changes("scale_tx")[0]
    burst = edges[(edges > run.wrong_ns - 60 * MILLI) & (edges < run.wrong_ns)]
    gaps = burst[1:] - burst[:-1]
    assert len(burst) > 100
    assert gaps.max() <= 10 * 10**9 // 9_600
