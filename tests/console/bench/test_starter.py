"""The starter bench file loads again and says what was found."""

from __future__ import annotations

import tomllib

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.lines import LineEntry, PulseLine, Ranging, Servo, Spi, SpiDevice, Uart
from console.bench.load import load_bench
from console.bench.quoting import quoted
from console.bench.starter import (
    FoundAddress,
    FoundBus,
    FoundLine,
    FoundSource,
    FoundTopic,
    starter_text,
)

WIRE = FoundSource("wire", "capture", "wire.csv.gz", remarks=["unit ms, by its header"])
LOG = FoundSource("controller", "prints", "controller.log", remarks=["stamps: [ms]"])
BROKER = FoundSource("broker", "messages", "broker.jsonl", offset="+12.5s")
CAMERA = FoundAddress(0x2E, transactions=4094)
BUS = FoundBus("i2c-1", "wire", "ch1", "ch2", [CAMERA, FoundAddress(0x41, answered=False)])


def starter() -> str:
    return starter_text("cap line", [WIRE, LOG, BROKER], [BUS], [FoundTopic("cap/level", 9)])


def test_a_starter_loads_again_with_what_was_found() -> None:
    bench = load_bench(starter(), "bench.toml")
    assert bench.name == "cap line"
    assert bench.about.axis == "wire"
    assert [(s.name, s.path) for s in bench.sources] == [
        ("wire", "wire.csv.gz"),
        ("controller", "controller.log"),
        ("broker", "broker.jsonl"),
    ]
    assert [s.offset_ns for s in bench.sources] == [None, None, 12_500_000_000]
    assert [(b.scl, b.sda) for b in bench.buses] == [("ch1", "ch2")]
    assert [(d.name, d.address) for d in bench.devices] == [("i2c-1-0x2E", 0x2E)]
    assert [rule.device for rule in bench.rules] == ["i2c-1-0x2E"]  # type: ignore[union-attr]


def test_what_a_starter_proposes_in_comments_loads_too() -> None:
    keys = ("[[rule]]", "kind", "table", "where", "silence", "offset =", "line =")
    lines = [
        line.removeprefix("# ") if line.removeprefix("# ").startswith(keys) else line
        for line in starter().splitlines()
    ]
    bench = load_bench("\n".join(lines), "bench.toml")
    assert [type(rule).__name__ for rule in bench.rules] == ["StopsAnswering", "Cadence"]
    assert bench.sources[1].offset_ns == 12_500_000_000


def test_an_address_that_never_answered_is_a_comment() -> None:
    assert "# 0x41 was asked 0 times and never answered." in starter().splitlines()


def test_a_ten_bit_address_is_written_with_its_width() -> None:
    bus = FoundBus("i2c-1", "wire", "ch1", "ch2", [FoundAddress(0x2A5, bits=10)])
    device = load_bench(starter_text("x", [WIRE], [bus]), "bench.toml").devices[0]
    assert (device.address, device.address_bits) == (0x2A5, 10)


@settings(max_examples=60, deadline=None)
@given(name=st.text(min_size=1), path=st.text(), topic=st.text(), remark=st.text())
def test_any_names_survive_the_way_through_the_file(
    name: str, path: str, topic: str, remark: str
) -> None:
    source = FoundSource(name, "capture", path, remarks=[remark])
    text = starter_text(name, [source], topics=[FoundTopic(topic, 2)])
    bench = load_bench(text, "bench.toml")
    assert (bench.name, bench.sources[0].name, bench.sources[0].path) == (name, name, path)


def test_a_lone_surrogate_is_replaced() -> None:
    assert quoted("a\ud800") == '"a\\uFFFD"'


def test_what_a_terminal_may_not_get_is_escaped_and_read_back() -> None:
    text = "a\x9b31m\u202ee\u0301\U000e0041é"
    written = quoted(text)
    assert written == '"a\\u009B31m\\u202Ee\\u0301\\U000E0041é"'
    assert tomllib.loads(f"x = {written}") == {"x": text}


LINES: list[LineEntry] = [
    Spi(name="valves", source="", sck="ch0", mosi="ch1", mode=3, word_bits=12, device=[
        SpiDevice(name="ch3", select="ch3", active="high")]),
    Uart(source="", line="ch4", baud=9600, data_bits=7, parity="even", stop_bits=1.5,
         inverted=True),
    Servo(name="ch6", source="", line="ch6"),
    Ranging(name="ch7/ch8", source="", trigger="ch7", echo="ch8"),
    PulseLine(name='odd "name"', source="", line="ch9", level="low"),
]  # fmt: skip


def test_lines_that_are_no_i2c_bus_load_again_as_they_were_found() -> None:
    text = starter_text("x", [WIRE], lines=[FoundLine("wire", entry) for entry in LINES])
    bench = load_bench(text, "bench.toml")
    loaded = [*bench.spis, *bench.uarts, *bench.servos, *bench.rangings, *bench.pulses]
    assert loaded == [msgspec.structs.replace(entry, source="wire") for entry in LINES]


def test_a_starter_for_a_servo_warns_of_moving_parts() -> None:
    text = starter_text("x", [WIRE], lines=[FoundLine("wire", LINES[2])])
    assert "# Moving parts may start at any time: keep clear of them." in text
