"""How long it waits before a port is tried again."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.ports import parsed_port
from console.sources.port_waits import Waits, node_of
from tests.console.sources.live import Pty, point


def test_waits_double_up_to_the_longest() -> None:
    waits = Waits(100, 450)
    assert [waits.next_ns() for _ in range(5)] == [100, 200, 400, 450, 450]


def test_a_port_that_stayed_open_is_tried_soon_again() -> None:
    waits = Waits(100, 800)
    _ = [waits.next_ns() for _ in range(3)]
    waits.was_open(401)
    assert waits.next_ns() == 100


def test_a_port_that_closes_at_once_is_not_tried_ever_faster() -> None:
    waits, got = Waits(100, 800), []
    for _ in range(4):
        waits.was_open(5)
        got.append(waits.next_ns())
    assert got == [100, 200, 400, 800]


@pytest.mark.parametrize(("first", "longest"), [(0, 5), (-1, 5), (6, 5)])
def test_waits_that_cannot_be_are_refused(first: int, longest: int) -> None:
    with pytest.raises(ValueError, match="waits from"):
        Waits(first, longest)


@settings(deadline=None)
@given(
    first=st.integers(1, 1000),
    more=st.integers(0, 10_000),
    opened=st.lists(st.integers(0, 20_000) | st.none(), max_size=30),
)
def test_every_wait_lies_between_first_and_longest(
    first: int, more: int, opened: list[int | None]
) -> None:
    waits, got = Waits(first, first + more), []
    for for_ns in opened:
        waits.was_open(for_ns or 0)
        got.append(waits.next_ns())
    assert all(first <= wait <= first + more for wait in got)


def test_a_path_that_leads_elsewhere_is_another_node(tmp_path: Path) -> None:
    first, second, link = Pty(), Pty(), tmp_path / "usb-cap-line"
    port = parsed_port(str(link))
    nodes = [node_of(port)]
    for pty in (first, second):
        point(link, pty.path)
        nodes.append(node_of(port))
    first.unplug()
    second.unplug()
    assert len(set(nodes)) == 3


def test_reading_and_writing_leave_a_node_the_same() -> None:
    pty = Pty()
    port = parsed_port(pty.path)
    before = node_of(port)
    pty.send(b"x")
    after = node_of(port)
    pty.unplug()
    assert before == after


def test_a_network_port_has_no_node() -> None:
    assert node_of(parsed_port("socket://h:1")) is None
