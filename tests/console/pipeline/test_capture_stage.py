"""One capture from bytes to bus columns, however its bytes are cut."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.pipeline import capture_stage
from console.pipeline.capture_stage import CaptureStage, WantedBus
from decoders.captures.delimited import DelimitedReader
from decoders.captures.vcd import VcdReader
from decoders.errors import CaptureError
from tests.decoders.buses.rows import state_rows, transaction_rows
from tests.decoders.buses.wave import Wave


def traffic(transactions: int) -> Wave:
    """Writes and reads of some targets, with a spike or a cut byte now and then."""
    randomly = random.Random(8)
    wave = Wave(2_500)
    for k in range(transactions):
        wave.wait(randomly.randrange(20_000, 90_000))
        if k % 7 == 3:
            wave.spike("sda", 30)
        read = bool(randomly.randrange(2))
        data = randomly.randbytes(randomly.randrange(1, 4))
        wave.transaction(randomly.randrange(8, 120), data, read=read)
        if k in (17, 38):
            wave.bit(1).wait(40_000).bit(0)
        wave.stop()
    return wave


def delimited(wave: Wave, names: str) -> bytes:
    rows = "".join(f"{t},{levels & 1},{levels >> 1}\n" for t, levels in wave.rows)
    return f"time_ns,{names}\n{rows}".encode()


def dumped(wave: Wave, names: str) -> bytes:
    scl, sda = names.split(",")
    head = f'$timescale 1 ns $end $var wire 1 ! {scl} $end $var wire 1 " {sda} $end\n'
    steps = "".join(f'#{t}\n{levels & 1}!\n{levels >> 1}"\n' for t, levels in wave.rows)
    return f"{head}$enddefinitions $end\n{steps}".encode()


WAVE = traffic(40)


def told(content: bytes, cuts: list[int], wanted: tuple[WantedBus, ...] = ()) -> Any:
    """Everything a stage has to say of a capture that comes in pieces."""
    is_dump = content.startswith(b"$")
    stage = CaptureStage(VcdReader("w") if is_dump else DelimitedReader("w"), wanted)
    edges = [0, *sorted(min(cut, len(content)) for cut in cuts), len(content)]
    for a, b in pairwise(edges):
        stage.feed(content[a:b])
    stage.finish()
    columns = [bus.columns() for bus in stage.buses]
    return (
        [bus.lines for bus in stage.buses],
        [(transaction_rows(table), state_rows(states)) for table, states in columns],
        stage.assumed,
        (stage.events, stage.first_ns, stage.last_ns),
        (stage.coverage.first_ns, stage.coverage.last_ns, stage.coverage.gaps),
        [(bus.cuts.found, bus.cuts.count) for bus in stage.buses],
        str(stage.stopped),
    )


@settings(max_examples=40, deadline=None)
@given(
    named=st.booleans(),
    form=st.sampled_from([delimited, dumped]),
    taste=st.sampled_from([1_000, 2_000, 40_000]),
    cuts=st.lists(st.integers(0, 60_000), max_size=8),
)
def test_buses_do_not_depend_on_how_the_file_is_cut(
    named: bool, form: Any, taste: int, cuts: list[int]
) -> None:
    content = form(WAVE, "scl,sda" if named else "brown,green")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(capture_stage, "TASTE_EDGES", taste)
        whole = told(content, [])
        assert told(content, cuts) == whole
        assert told(content, list(range(0, len(content), 997))) == whole
    assert [len(rows) for rows, _ in whole[1]] == [40]
    assert [count for _, count in whole[5]] == [2]


def test_lines_are_told_by_name_then_by_behaviour_then_not_at_all() -> None:
    named, unnamed = told(delimited(WAVE, "scl,sda"), []), told(delimited(WAVE, "brown,green"), [])
    assert named[2] == ["i2c: SCL is scl, SDA is sda (as their names say)"]
    assert unnamed[2][0].startswith("i2c-1: SCL is brown, SDA is green (of 40 transactions with")
    idle = Wave().wait(50_000).set(scl=0).wait().set(scl=1)
    assert told(delimited(idle, "brown,green"), [])[2] == [
        "no I2C bus found among the lines brown, green: name one with --i2c scl=NAME,sda=NAME"
    ]


def test_each_of_several_buses_of_a_file_has_its_own_rows() -> None:
    one, other = Wave().wait(50_000), Wave().wait(90_000)
    one.transaction(0x2E, b"\x01").stop()
    other.transaction(0x41, b"\x02\x03").stop()
    times = sorted({t for t, _ in [*one.rows, *other.rows]})
    levels = [[max(r for r in wave.rows if r[0] <= t)[1] for t in times] for wave in (one, other)]
    rows = "".join(
        f"{t},{a & 1},{a >> 1},{b & 1},{b >> 1}\n" for t, a, b in zip(times, *levels, strict=True)
    )
    lines, buses, *_ = told(f"time_ns,SCL1,SDA1,SCL2,SDA2\n{rows}".encode(), [])
    assert [(bus.name, bus.scl, bus.sda) for bus in lines] == [
        ("i2c-1", "SCL1", "SDA1"),
        ("i2c-2", "SCL2", "SDA2"),
    ]
    assert [transactions[0][2] for transactions, _ in buses] == [0x2E, 0x41]
    assert [transactions[0][6] for transactions, _ in buses] == [
        ((1, True),),
        ((2, True), (3, True)),
    ]


def test_lines_the_user_named_are_taken_as_told() -> None:
    content = delimited(WAVE, "scl,sda")
    swapped = told(content, [], (WantedBus("mine", "sda", "scl"),))
    right = told(content, [], (WantedBus("mine", "SCL", "SDA"),))
    assert (swapped[0][0].scl, swapped[0][0].sda) == ("sda", "scl")
    assert right[1] == told(content, [])[1]


@pytest.mark.parametrize(
    ("names", "wanted", "words"),
    [
        ("scl,sda", "clk", "'clk' of bus 'i2c' is no line of this capture"),
        ("a.scl,b.scl", "scl", "'scl' of bus 'i2c' names several lines"),
    ],
)
def test_a_line_that_is_not_there_or_is_several_is_refused(
    names: str, wanted: str, words: str
) -> None:
    with pytest.raises(CaptureError, match=words) as caught:
        told(delimited(WAVE, names), [], (WantedBus("i2c", wanted, names.split(",")[1]),))
    assert "Lines found: " in caught.value.mend
