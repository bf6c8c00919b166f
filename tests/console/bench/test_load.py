"""A bench file loads, and everything wrong in one is told at once with its line and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.load import load_bench, load_rules, read_bench
from console.bench.model import Bench, CaptureSource, Device, PrintsSource
from console.bench.rules import Cadence, ReplyWithin, StopsAnswering
from decoders.errors import DescriptionError
from decoders.toml_lines import CollectedError

GOOD = r"""
[bench]
name = "cap line"
axis = "wire"

[[source]]
name = "wire"
kind = "capture"
path = "wire.csv.gz"

[[source]]
name = "board"
kind = "prints"
path = "logs/board.log"
line = '^\[(?P<ms>\d+)\] (?P<text>.*)$'
tick_bits = 32
offset = "-12.5s"
drift_ppm = 20

[[bus]]
name = "i2c-1"
source = "wire"
scl = "ch1"
sda = "ch2"

[[device]]
name = "camera"
bus = "i2c-1"
address = 0x2E
packets = "camera.toml"

[[device]]
name = "hopper"
bus = "i2c-1"
address = 0x29

[[device.packet]]
name = "level"
direction = "read"
field = [{ name = "cm", type = "u8", max = 90 }]

[[rule]]
kind = "stops-answering"
device = "camera"

[[rule]]
kind = "cadence"
table = "prints"
period_s = 0.5
silence = "2min"

[[rule]]
kind = "reply-within"
request_table = "prints"
request_where = "text LIKE 'ask%'"
reply_table = "transactions"
within = "250ms"
"""

CAMERA = """
[[packet]]
name = "blocks"
direction = "read"
field = [{ name = "count", type = "u8", max = 16 }]
"""


def errors_in(text: str) -> list[DescriptionError]:
    """What is wrong in a bench file."""
    with pytest.raises(DescriptionError) as caught:
        load_bench(text, "bench.toml")
    error = caught.value
    return list(error.errors) if isinstance(error, CollectedError) else [error]


def error_in(changed: str, into: str) -> DescriptionError:
    """The one thing wrong when `changed` in the good file is turned into something else."""
    assert GOOD.count(changed) == 1
    errors = errors_in(GOOD.replace(changed, into))
    assert len(errors) == 1, [str(error) for error in errors]
    return errors[0]


def line_of(text: str, bench: str = GOOD) -> int:
    """The line in which a text stands."""
    return bench[: bench.index(text)].count("\n") + 1


def test_a_bench_without_anything_is_a_bench() -> None:
    assert load_bench("", "bench.toml") == Bench()


def test_a_good_bench_loads() -> None:
    bench = load_bench(GOOD, "bench.toml")
    wire, board = bench.sources
    assert (bench.name, bench.about.axis) == ("cap line", "wire")
    assert isinstance(wire, CaptureSource)
    assert isinstance(board, PrintsSource)
    assert (wire.offset_ns, board.offset_ns, board.drift_ppm) == (None, -12_500_000_000, 20.0)
    assert [(d.name, d.address) for d in bench.devices] == [("camera", 0x2E), ("hopper", 0x29)]
    stops, cadence, reply = bench.rules
    assert isinstance(stops, StopsAnswering)
    assert isinstance(cadence, Cadence)
    assert isinstance(reply, ReplyWithin)
    assert (stops.after_polls, stops.severity) == (5, "fault")
    assert (cadence.period_ns, cadence.silence_ns) == (500_000_000, 120_000_000_000)
    assert (reply.within_ns, reply.slack_ns) == (250_000_000, 0)


@pytest.mark.parametrize(
    ("changed", "into", "message", "mend"),
    [
        ("tick_bits = 32", "tick_bit = 32", "unknown key 'tick_bit'", "Did you mean 'tick_bits'?"),
        ('kind = "prints"', 'kind = "print"', "unknown kind 'print'", "Did you mean 'prints'?"),
        ("address = 0x2E", 'address = "0x2E"', "must be a whole number", "without quotes: 0x2E"),
        ("address = 0x2E", "address = 0xA4", "does not fit in 7 bits; 0xa4 as a byte with", ""),
        ("address = 0x2E", "address = -1", "must be", ""),
        ('axis = "wire"', 'axis = "wirr"', "no source is named 'wirr'", "Did you mean 'wire'?"),
        ('source = "wire"', 'source = "wir"', "no source is named 'wir'", "Did you mean 'wire'?"),
        ('source = "wire"', 'source = "board"', "source 'board' of bus 'i2c-1' is no capture", ""),
        (
            'source = "wire"',
            'source = "wier"',
            "no source is named 'wier'",
            "Known sources: wire, b",
        ),
        (
            'bus = "i2c-1"\naddress = 0x2E',
            'bus = "i2c"\naddress = 0x2E',
            "no bus is named 'i2c'",
            "Known buses: i2c-1.",
        ),
        ('device = "camera"', 'device = "kamera"', "no device is named 'kamera'", "'camera'?"),
        ('sda = "ch2"', 'sda = "ch1"', "scl and sda of bus 'i2c-1' are the same line", "two lines"),
        ("address = 0x29", "address = 0x2E", "address 0x2e on 'i2c-1' is that of 'camera'", "diff"),
        ('name = "hopper"', 'name = "camera"', "a second device is named 'camera'", "in line 27"),
        ('path = "wire.csv.gz"', "", "source 'wire' has no path", 'Add path = "FILE"'),
        (r"'^\[(?P<ms>\d+)\] (?P<text>.*)$'", "'^[('", "the line pattern is wrong", "groups"),
        (r"'^\[(?P<ms>\d+)\] (?P<text>.*)$'", "'^x'", "has no named group", "groups"),
        ('offset = "-12.5s"', 'offset = "-12.5"', "must be a number with a unit", ""),
        ('offset = "-12.5s"', 'password = "x"', "a password does not belong", "password_env"),
        ('silence = "2min"', "silence_s = -1", "silence_s must be a finite number", ""),
        ('silence = "2min"', 'period = "1s"', "period_s says the same as period", ""),
        ('silence = "2min"', "tolerance = 0", "must be", ""),
        ('table = "prints"\nper', 'table = "print"\nper', "no table named 'print'", "'prints'?"),
        ("text LIKE 'ask%'", "txt LIKE 'ask%'", "no column named 'txt' in prints", "'text'?"),
        ("text LIKE 'ask%'", "text LIKE", "cannot be used: unable to parse", "SQL as after WHERE"),
        ('within = "250ms"', 'request_key = "text"', "give the time allowed", ""),
        ("max = 90 }", "maxx = 90 }", "unknown key 'maxx'", "Did you mean 'max'?"),
    ],
)
def test_what_is_wrong_is_told_with_line_and_mend(
    changed: str, into: str, message: str, mend: str
) -> None:
    error = error_in(changed, into)
    assert error.place is not None
    assert error.place.name == "bench.toml"
    assert message in error.message
    assert mend in error.mend


@pytest.mark.parametrize(
    ("changed", "into"),
    [
        ("tick_bits = 32", "tick_bit = 32"),
        ('axis = "wire"', 'axis = "wirr"'),
        ('sda = "ch2"', 'sda = "ch1"'),
        ("address = 0x29", "address = 0x2E"),
        ('device = "camera"', 'device = "kamera"'),
        ("request_where = \"text LIKE 'ask%'\"", "request_where = \"txt LIKE 'ask%'\""),
        ('silence = "2min"', 'silence = "2 minutes"'),
    ],
)
def test_the_line_is_that_of_the_key(changed: str, into: str) -> None:
    place = error_in(changed, into).place
    assert place is not None
    assert place.line == line_of(changed)


def test_everything_wrong_is_told_at_once_in_line_order() -> None:
    text = GOOD.replace("tick_bits", "tick_bit").replace('sda = "ch2"', 'sda = "ch1"')
    text = text.replace('axis = "wire"', 'axis = "air"').replace("period_s", "perod_s")
    text = text.replace("max = 90 }", "maxx = 90 }")
    errors = errors_in(text)
    lines = [error.place.line for error in errors if error.place]
    assert lines == sorted(line for line in lines if line)
    found = "\n".join(str(error) for error in errors)
    for words in ("'air'", "'tick_bit'", "the same line", "'maxx'", "'perod_s'"):
        assert words in found


def test_text_that_is_no_toml_says_where() -> None:
    (error,) = errors_in("[bench]\nname = \n")
    assert str(error.place).startswith("bench.toml:2:")


def test_limits_the_wrong_way_round_are_refused() -> None:
    rule = '[[rule]]\nkind = "limits"\ntable = "messages"\nfield = "qos"\nmin = 3\nmax = 1\n'
    (error,) = errors_in(rule)
    assert (error.message, str(error.place)) == ("rule.min 3 is above max 1", "bench.toml:5")


def test_a_limit_on_text_is_refused() -> None:
    rule = '[[rule]]\nkind = "limits"\ntable = "messages"\nfield = "topic"\nmin = 3\n'
    (error,) = errors_in(rule)
    assert (error.message, str(error.place)) == (
        "column 'topic' of messages is no number",
        "bench.toml:4",
    )


def written(folder: Path, bench: str = GOOD, camera: str = CAMERA) -> Path:
    path = folder / "bench.toml"
    path.write_text(bench, "utf-8")
    (folder / "camera.toml").write_text(camera, "utf-8")
    return path


def test_paths_are_relative_to_the_bench_file(tmp_path: Path) -> None:
    file = read_bench(written(tmp_path))
    assert [source.path for source in file.bench.sources] == [
        str(tmp_path / "wire.csv.gz"),
        str(tmp_path / "logs" / "board.log"),
    ]


def test_packets_come_from_files_and_from_tables(tmp_path: Path) -> None:
    file = read_bench(written(tmp_path))
    assert {d: [k.name for k in s.kinds] for d, s in file.packets.items()} == {
        "camera": ["blocks"],
        "hopper": ["level"],
    }


def test_a_wrong_packet_file_is_told_with_its_own_line(tmp_path: Path) -> None:
    wrong = CAMERA.replace("max", "maxx")
    with pytest.raises(DescriptionError, match="unknown key 'maxx'") as caught:
        read_bench(written(tmp_path, camera=wrong))
    place = caught.value.place
    assert place is not None
    assert (Path(place.name).name, place.line) == ("camera.toml", 5)


def test_a_packet_file_that_is_not_there_is_told_where_it_is_named(tmp_path: Path) -> None:
    path = written(tmp_path)
    (tmp_path / "camera.toml").unlink()
    with pytest.raises(DescriptionError, match="No such file") as caught:
        read_bench(path)
    assert caught.value.place is not None
    assert caught.value.place.line == line_of('packets = "camera.toml"')


def test_a_bench_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="No such file"):
        read_bench(tmp_path / "bench.toml")


def test_a_reserved_address_is_a_remark(tmp_path: Path) -> None:
    text = GOOD.replace("address = 0x29", "address = 0x7A")
    file = read_bench(written(tmp_path, text))
    line = line_of("address = 0x7A", text)
    assert [remark.split("bench.toml")[1] for remark in file.remarks] == [
        f":{line}: address 0x7a of hopper is reserved for 10-bit addressing (UM10204 table 4)"
    ]


def test_a_file_of_rules_may_name_the_devices_of_a_bench() -> None:
    text = '[[rule]]\nkind = "stops-answering"\ndevice = "camera"\n'
    bench = Bench(devices=[Device(name="camera", bus="i2c-1", address=0x2E)])
    assert load_rules(text, "rules.toml", bench) == [StopsAnswering(device="camera")]
    with pytest.raises(DescriptionError, match="no device is named 'camera'"):
        load_rules(text, "rules.toml")


def test_a_file_of_rules_holds_nothing_else() -> None:
    with pytest.raises(DescriptionError, match="unknown key 'source'"):
        load_rules('[[source]]\nname = "x"\n', "rules.toml")
