"""SPI, UART, servo and ranging lines of a capture, from its bytes to tables, findings, numbers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.load import load_bench
from console.bench.model import Bench
from console.pipeline.capture_stage import CaptureStage
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.settled_lines import WantedLines
from console.timeline.events import events_of
from console.timeline.explained import explained
from console.timeline.numbers.numeric_fields import numbers_of, numeric_fields
from console.timeline.parties import parties_of
from console.timeline.words import event_row, event_words
from decoders.buses.spi_format import SpiFormat
from decoders.buses.uart_format import UartFormat
from decoders.captures.delimited import DelimitedReader
from decoders.errors import DescriptionError
from tests.decoders.buses.pulse_lines import MS, edges_of, ranging, servo
from tests.decoders.buses.serial_wave import SerialWave
from tests.decoders.buses.spi_wave import CS, MISO, MOSI, SCK, SpiWave

Line = tuple[Sequence[int], Sequence[int]]  # times of rows, and the level from each on
WORDS = [[(3 * k + j) % 256 for j in range(3)] for k in range(40)]
ANGLES = [1000 + 10.0 * (k % 50) for k in range(60)]
ECHOES = [0.0 if k % 9 == 4 else 4000.0 + 30 * k for k in range(20)]
BENCH = """
[[source]]
name = "wire"
kind = "capture"
path = "wire.csv"

[[spi]]
name = "valves"
source = "wire"
sck = "a"
mosi = "b"
miso = "c"
device = [{ name = "driver", select = "d", party = "valve driver" }]

[[uart]]
source = "wire"
line = "e"
baud = 9600
data_bits = 5
stop_bits = 1.5

[[servo]]
name = "gate"
source = "wire"
line = "f"
party = "outlet"

[[ranging]]
name = "hopper"
source = "wire"
trigger = "g"
echo = "h"
"""


def spi_wave() -> SpiWave:
    wave = SpiWave(SpiFormat(3)).wait(5 * MS)
    for k, values in enumerate(WORDS):
        wave.select()
        for value in values:
            wave.word(value, 255 - value)
        wave.select(on=False).wait(20 * MS)
        if k == 20:
            wave.select().bits(0xFF, 0, 3).select(on=False).wait(20 * MS)
    return wave


def lines() -> list[Line]:
    """SCK, MOSI, MISO, select, a UART of five bits, a servo, trigger and echo."""
    wave = spi_wave()
    times = [t for t, _ in wave.rows]
    found: list[Line] = [
        (times, [level >> bit & 1 for _, level in wave.rows]) for bit in (SCK, MOSI, MISO, CS)
    ]
    uart = SerialWave(9600, UartFormat(5, "none", 1.5)).wait(40)
    for k in range(60):
        uart.byte((7 * k + 3) % 32)
        uart.wait(4)
    found.append(([t for t, _ in uart.rows], [level for _, level in uart.rows]))
    for pulses in (servo(ANGLES), *ranging(ECHOES)):
        edges = edges_of([pulses], 0)
        found.append((edges.t_ns.tolist(), edges.levels.tolist()))
    return found


def capture(names: str) -> bytes:
    every = lines()
    times = np.unique(np.concatenate([np.array([0, 1_300 * MS]), *(t for t, _ in every)]))
    columns = {"time_ns": times}
    for name, (t, level) in zip(names, every, strict=True):
        at = np.maximum(np.searchsorted(np.array(t), times, "right") - 1, 0)
        columns[name] = np.array(level)[at]
    return pl.DataFrame(columns).write_csv().encode()


@pytest.fixture(scope="module")
def evidence(tmp_path_factory: pytest.TempPathFactory) -> Evidence:
    folder = tmp_path_factory.mktemp("wires")
    (folder / "wire.csv").write_bytes(capture("abcdefgh"))
    (folder / "bench.toml").write_text(BENCH)
    return gathered(settled([str(folder / "bench.toml")], Overrides()))


def test_every_kind_of_line_has_its_rows(evidence: Evidence) -> None:
    words = evidence.tables["words"]
    good = words.filter(pl.col("problems").list.len() == 0)
    flat = [value for values in WORDS for value in values]
    assert good["mosi"].to_list() == [f"{value:02x}" for value in flat]
    assert good["miso"].to_list() == [f"{255 - value:02x}" for value in flat]
    assert words["device"].unique().to_list() == ["driver"]
    assert words.filter(pl.col("problems").list.contains("cut"))["bits"].to_list() == [3]
    values = evidence.tables["bytes"]["value"].to_list()
    assert values == [(7 * k + 3) % 32 for k in range(60)]
    pulses = evidence.tables["pulses"]
    angles = pulses.filter(line="gate")["angle_deg"].to_list()
    assert angles == pytest.approx([(width - 1000) * 0.18 for width in ANGLES])
    assert pulses.filter(line="hopper echo")["distance_cm"][0] == pytest.approx(68.64, abs=5e-3)
    assert pulses.filter(line="hopper trigger").height == len(ECHOES)


def test_a_lost_echo_is_an_exchange_without_a_reply(evidence: Evidence) -> None:
    exchanges = evidence.tables["exchanges"]
    assert exchanges["outcome"].value_counts(sort=True).rows() == [("answered", 18), ("none", 2)]


def test_what_was_told_and_what_was_assumed_is_said(evidence: Evidence) -> None:
    told = "\n".join(evidence.sources[0].assumed)
    assert "valves: SCK is a, MOSI is b, MISO is c, d selects when low (as told); mode 3" in told
    assert "assumed: 8 bits a word, the most significant bit comes first" in told
    assert "e: 9600 baud 5N1.5, as told" in told
    assert "no I2C bus" not in told


def test_findings_are_of_the_lines_parties(evidence: Evidence) -> None:
    found = [(finding.rule, finding.party) for finding in evidence.findings]
    assert ("spi-words", "valve driver") in found
    assert ("echo-lost", "hopper") in found
    assert ("servo-signal", "outlet") in found
    assert "undecoded" not in {rule for rule, _ in found}


def test_angles_and_distances_can_be_plotted(evidence: Evidence) -> None:
    fields = {(f.party, f.path): f for f in numeric_fields(evidence.tables)}
    angle, distance = fields["gate", "angle_deg"], fields["hopper echo", "distance_cm"]
    assert (angle.title, angle.unit) == ("gate angle", "deg")
    assert (distance.title, distance.unit) == ("hopper echo distance", "cm")
    assert len(numbers_of(evidence.tables, angle)) == 60
    assert len(numbers_of(evidence.tables, distance)) == 18
    assert ("gate", "distance_cm") not in fields


def test_events_have_columns_words_and_sheets(evidence: Evidence) -> None:
    bench = load_bench(BENCH, "bench.toml")
    parties = parties_of(evidence.tables, bench)
    assert {party.name for party in parties.every} == {"valve driver", "outlet", "hopper"}
    events = events_of(evidence.tables, parties)
    titles = {}
    for table in ("words", "pulses", "exchanges"):
        rows = evidence.tables[table].with_row_index()
        if table == "exchanges":
            rows = rows.filter(outcome="none")
        k = events.find(table, int(rows["index"][0]))
        assert k is not None
        sheet = explained(evidence.tables, None, parties, events, k)
        titles[table] = sheet.title
    assert titles == {
        "words": "word of driver",
        "pulses": "gate high",
        "exchanges": "hopper: no reply came",
    }


def rows_of(content: bytes, cuts: list[int]) -> list[pl.DataFrame]:
    wanted = WantedLines.of(load_bench(BENCH, "bench.toml"), "wire")
    stage = CaptureStage(DelimitedReader("w"), lines=wanted)
    for a, b in pairwise([0, *sorted(min(cut, len(content)) for cut in cuts), len(content)]):
        stage.feed(content[a:b])
    stage.finish()
    return [f for other in stage.others for f in other.tables("wire", stage.last_ns or 0).values()]


CONTENT = capture("abcdefgh")


@settings(max_examples=12, deadline=None)
@given(cuts=st.lists(st.integers(0, len(CONTENT)), max_size=8))
def test_rows_do_not_depend_on_how_the_file_is_cut(cuts: list[int]) -> None:
    whole, pieces = rows_of(CONTENT, []), rows_of(CONTENT, cuts)
    assert [a.equals(b) for a, b in zip(whole, pieces, strict=True)] == [True] * 4


def test_lines_that_nobody_named_are_found(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_bytes(capture("abcdefgh"))
    found = gathered(settled([str(tmp_path / "w.csv")], Overrides()))
    told = "\n".join(found.sources[0].assumed)
    assert "spi: SCK is a" in told
    assert "f: looks like a servo's (60 pulses of 1000 to 1490 us, one every 20 ms)" in told
    assert "g, h: look like trigger and echo of a ranging sensor" in told
    assert found.tables["words"].height == 121
    assert found.tables["pulses"]["line"].unique().sort().to_list() == [
        "f", "g/h echo", "g/h trigger",
    ]  # fmt: skip


def test_the_command_line_names_a_bus(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_bytes(capture("abcdefgh"))
    overrides = Overrides(spi=["sck=a, miso=c, cs=d"])
    found = gathered(settled([str(tmp_path / "w.csv")], overrides))
    words = found.tables["words"]
    assert words["bus"].unique().to_list() == ["spi-1"]
    assert words["device"].unique().to_list() == ["d"]
    assert words["mosi"].null_count() == words.height


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sck=a,mosi=b,clk=c", "is not made of sck=, mosi=, miso= and cs="),
        ("mosi=b", "does not name one clock"),
        ("sck=a,mosi=b,mosi=c", "each data line at most once"),
        ("sck=a,mosi=a", "names one line twice"),
        ("sck=a,cs=d", "names no data line"),
    ],
)
def test_a_bus_that_cannot_be_meant_is_refused(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_bytes(CONTENT)
    with pytest.raises(DescriptionError, match="--spi") as caught:
        settled([str(tmp_path / "w.csv")], Overrides(spi=[text]))
    assert words in caught.value.message
    assert "sck=NAME,mosi=NAME" in caught.value.mend


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (9600.0, "e: its bits are those of 9600"),
        (9120.0, "%, and a receiver bears -4.6 to +4.6 %"),
    ],
)
def test_how_far_a_senders_baud_is_off_is_said(sent: float, told: str) -> None:
    uart = SerialWave(sent).wait(40)
    for k in range(60):
        uart.byte((37 * k + 3) % 256)
        uart.wait(14)
    rows = "".join(f"{t},{level}\n" for t, level in uart.rows)
    bench = load_bench(BENCH, "bench.toml").uarts[0]
    stage = CaptureStage(
        DelimitedReader("w"),
        lines=WantedLines(uarts=[msgspec.structs.replace(bench, data_bits=8, stop_bits=1)]),
    )
    stage.feed(f"time_ns,e\n{rows}".encode())
    stage.finish()
    assert told in stage.assumed[-1]


def test_clocks_without_a_select_stand_in_the_column_of_the_bus(tmp_path: Path) -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).select().word(0x41).select(on=False)
    wave.bits(0xFF, 0, 5).wait(90_000)
    rows = "".join(
        f"{t},{level >> SCK & 1},{level >> MOSI & 1},{level >> CS & 1}\n" for t, level in wave.rows
    )
    (tmp_path / "w.csv").write_text(f"time_ns,sck,mosi,cs\n{rows}")
    found = gathered(settled([str(tmp_path / "w.csv")], Overrides()))
    parties = parties_of(found.tables, Bench())
    events = events_of(found.tables, parties)
    whose = [parties.every[k].name for k in events.party.tolist()]
    assert (whose, [parties.every[k].kind for k in events.party.tolist()]) == (
        ["cs", "spi"],
        ["device", "bus"],
    )
    assert event_words(*event_row(found.tables, events, 1)) == "clocks without a select"
    (finding,) = [f for f in found.findings if f.rule == "spi-words"]
    assert (finding.party, finding.source) == ("spi", "w")
