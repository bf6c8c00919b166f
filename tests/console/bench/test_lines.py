"""Lines of a capture that are no I2C bus, in a bench file."""

from __future__ import annotations

import pytest

from console.bench.load import load_bench
from decoders.errors import DescriptionError

SOURCES = """
[[source]]
name = "wire"
kind = "capture"
path = "wire.csv"

[[source]]
name = "board"
kind = "prints"
path = "board.log"
"""
GOOD = (
    SOURCES
    + """
[[spi]]
name = "valves"
source = "wire"
sck = "ch0"
miso = "ch2"
mode = 3
word_bits = 12
lsb_first = true
pause = "20us"
device = [{ name = "driver", select = "ch3", active = "high", party = "valves" }]

[[uart]]
source = "wire"
line = "ch4"
baud = 9600
data_bits = 9
stop_bits = 1.5

[[pulse]]
name = "gate switch"
source = "wire"
line = "ch5"
level = "low"

[[servo]]
name = "gate"
source = "wire"
line = "ch6"
travel_us = [500, 2500]
travel_deg = [90, -90]
slew_deg_per_frame = 12

[[ranging]]
name = "hopper"
source = "wire"
trigger = "ch7"
echo = "ch8"
temperature_c = 4.5
published = { table = "messages", where = "topic = 'cap/level'", field = "fields.level_mm", unit = "mm" }
"""  # noqa: E501
)


def test_every_key_is_taken() -> None:
    bench = load_bench(GOOD, "bench.toml")
    (spi,), (uart,), (pulse,) = bench.spis, bench.uarts, bench.pulses
    assert (spi.lines, spi.mode, spi.pause_ns) == (["ch0", "ch2", "ch3"], 3, 20_000)
    assert (spi.device[0].active, spi.device[0].party) == ("high", "valves")
    assert (uart.baud, uart.data_bits, uart.stop_bits, uart.parity) == (9600, 9, 1.5, "none")
    assert pulse.level == "low"
    (servo,), (ranging,) = bench.servos, bench.rangings
    assert servo.travel.width_of(0) == 1500
    assert servo.period_ns == 20_000_000
    assert ranging.published is not None
    assert (ranging.published.cm_per_unit, ranging.published.within_ns) == (0.1, 10**9)
    assert (ranging.trigger_line, ranging.echo_line) == ("hopper trigger", "hopper echo")


SERVO = '[[servo]]\nname = "gate"\nsource = "wire"\nline = "ch6"\n'
SPI = '[[spi]]\nname = "valves"\nsource = "wire"\nsck = "ch0"\n'
RANGING = '[[ranging]]\nname = "hopper"\nsource = "wire"\ntrigger = "ch7"\necho = "ch8"\n'
FIRST = SOURCES.count("\n") + 1  # line of what follows


@pytest.mark.parametrize(
    ("tables", "line", "words"),
    [
        (SERVO + "traval_us = [1, 2]\n", 4, "unknown key 'traval_us'"),
        (SERVO + "travel_us = [2000, 1000]\n", 4, "the shorter width stands first"),
        (SERVO + "travel_deg = [90, 90]\n", 4, "no travel"),
        (SERVO.replace("wire", "wier"), 2, "no source is named 'wier'"),
        (SERVO.replace("wire", "board"), 2, "source 'board' of servo is no capture"),
        (SERVO + SERVO, 5, "a second servo is named 'gate'"),
        (SPI, 3, "has no data beside it"),
        (SPI + 'mosi = "ch0"\n', 3, "'ch0' has two roles"),
        (SPI + 'mosi = "ch1"\nmode = 4\n', 5, "mode"),
        (SPI + 'mosi = "ch1"\nword_bits = 3\n', 5, "word_bits"),
        (SPI + 'mosi = "ch1"\npause = "soon"\n', 5, "pause"),
        ('[[uart]]\nsource = "wire"\nline = "ch4"\nstop_bits = 3\n', 3, "1, 1.5 or 2, not 3"),
        ('[[uart]]\nsource = "wire"\nline = "ch4"\ndata_bits = 10\n', 3, "data_bits"),
        (RANGING.replace("ch8", "ch7"), 4, "the trigger's line"),
        (RANGING + 'published = { table = "messages" }\n', 5, "either field or pattern"),
        (RANGING + 'published = { table = "prints", pattern = "(" }\n', 5, "pattern"),
        (
            RANGING + 'published = { table = "prints", pattern = "cm" }\n',
            5,
            "0 groups, not the one",
        ),
        (
            RANGING + 'published = { table = "messages", field = "topic" }\n',
            5,
            "column 'topic' of messages is no number",
        ),
        (
            RANGING + 'published = { table = "prints", pattern = "(?=a)(\\\\d)" }\n',
            5,
            "pattern cannot be used",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tables: str, line: int, words: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        load_bench(SOURCES + tables, "bench.toml")
    error = caught.value
    assert words in error.message
    assert error.place is not None
    assert error.place.line == FIRST + line


UART = '[[uart]]\nsource = "wire"\nline = "ch4"\n'
GATE = '[[servo]]\nname = "gate"\nsource = "wire"\nline = "ch4"\n'
BUS = '[[bus]]\nname = "i2c"\nsource = "wire"\nscl = "ch4"\nsda = "ch5"\n'
PULSE = '[[pulse]]\nname = "any"\nsource = "wire"\nline = "ch4"\n'


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (UART, GATE, "line 'ch4' of wire stands in a [[uart]] already"),
        (BUS, UART, "line 'ch4' of wire stands in a [[bus]] already"),
        (UART, UART, "line 'ch4' of wire stands in a [[uart]] already"),
    ],
)
def test_a_line_carries_one_kind_of_signal(first: str, second: str, words: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        load_bench(SOURCES + first + second, "bench.toml")
    assert words in str(caught.value)
    assert f"in line {SOURCES.count(chr(10)) + 1}; a line carries" in str(caught.value)


@pytest.mark.parametrize(
    ("first", "second"), [(UART, PULSE), (BUS, BUS.replace("i2c", "two").replace("ch5", "ch6"))]
)
def test_pulses_of_any_line_may_be_rows_and_buses_may_share_a_clock(
    first: str, second: str
) -> None:
    bench = load_bench(SOURCES + first + second, "bench.toml")
    assert len([*bench.buses, *bench.uarts, *bench.pulses]) == 2
