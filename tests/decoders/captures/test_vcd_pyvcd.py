"""Against pyvcd, an independent writer and tokenizer of value change dumps."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from decoders.captures.edges import Edges
from decoders.captures.vcd import VcdReader

Stretch = tuple[list[tuple[int, int]], int]
PER_NS = {"s": 10**9, "ms": 10**6, "us": 10**3, "ns": 1}
FINE = {"ps": 10**3, "fs": 10**6}
TIMESCALES = [f"{n} {unit}" for unit in (*PER_NS, *FINE) for n in (1, 10, 100)]
LINES = ("bus.scl", "bus.sda", "bus.port[6]", "bus.port[1]", "line.hopper.gate")


def ns_of(raw: int, timescale: str) -> int:
    number, unit = timescale.split()
    return raw * int(number) * PER_NS.get(unit, 1) // FINE.get(unit, 1)


def stretches(blocks: list[Edges]) -> list[Stretch]:
    found: list[Stretch] = []
    for block in blocks:
        rows = list(zip(block.t_ns.tolist(), block.levels.tolist(), strict=True))
        before = [] if block.begins else found.pop()[0]
        found.append((before + rows, block.until_ns))
    return found


@dataclass
class Truth:
    """Levels over time by the plainest rule: one word per time at which something is known."""

    channels: tuple[str, ...]
    values: dict[str, str] = field(default_factory=dict)
    rows: list[tuple[int, int]] = field(default_factory=list)
    done: list[Stretch] = field(default_factory=list)

    def settle(self, t_ns: int) -> None:
        values = [self.values.get(name, "x") for name in self.channels]
        if "x" in values:
            if self.rows:
                self.done.append((self.rows, t_ns))
                self.rows = []
            return
        word = sum(1 << k for k, value in enumerate(values) if value in "1z")
        if not self.rows or self.rows[-1][1] != word:
            self.rows.append((t_ns, word))

    def finish(self, t_ns: int) -> list[Stretch]:
        return [*self.done, (self.rows, t_ns)] if self.rows else self.done


STEP = st.tuples(
    st.sampled_from([1, 1, 2, 7, 1000, 123_457]),
    st.lists(
        st.tuples(
            st.sampled_from(["scl", "sda", "port", "gate", "level", "state", "echo"]),
            st.integers(0, 255),
            st.sampled_from("0011zx"),
        ),
        max_size=4,
    ),
)


@settings(max_examples=60, deadline=None)
@given(
    timescale=st.sampled_from(TIMESCALES),
    start=st.sampled_from([0, 1, 2_100, 10**9, 17 * 10**8]),
    steps=st.lists(STEP, max_size=60),
)
def test_what_pyvcd_writes_is_read_back(
    timescale: str, start: int, steps: list[tuple[int, list[tuple[str, int, str]]]]
) -> None:
    while ns_of(start, timescale) >= 2**62:  # 146 years: times are kept as int64
        start //= 100
    file, raw = io.StringIO(), start
    writer = VCDWriter(file, timescale=timescale, date="today", init_timestamp=start)
    variables = {
        "scl": writer.register_var("bus", "scl", "wire", size=1, init=1),
        "sda": writer.register_var("bus", "sda", "tri1", size=1, init="z"),
        "port": writer.register_var("bus", "port", "reg", size=8, init=0, bit_index=(7, 0)),
        "gate": writer.register_var("line.hopper", "gate", "reg", size=1, init=0),
        "level": writer.register_var("line.hopper", "level_cm", "real", init=41.5),
        "state": writer.register_var("line", "state", "string", init="IDLE now"),
        "echo": writer.register_var("line", "echo", "event"),
    }
    truth = Truth(("bus.scl", "bus.sda", "bus.port[1]", "bus.port[6]", "line.hopper.gate"))
    truth.values = dict(zip(truth.channels, "1z000", strict=True))
    for step, changes in steps:
        truth.settle(ns_of(raw, timescale))
        raw += step
        for name, number, value in changes:
            written: dict[str, float | str | bool] = {
                "level": number / 7,
                "state": f"s {number}",
                "echo": True,
                "port": number,
            }
            writer.change(variables[name], raw, written.get(name, value))
            if name == "port":
                truth.values["bus.port[1]"] = "01"[number >> 1 & 1]
                truth.values["bus.port[6]"] = "01"[number >> 6 & 1]
            elif name in ("scl", "sda"):
                truth.values[f"bus.{name}"] = value
            elif name == "gate":
                truth.values["line.hopper.gate"] = value
    truth.settle(ns_of(raw, timescale))
    writer.close(raw)
    reader = VcdReader("written.vcd", wanted=LINES)
    blocks = reader.feed(file.getvalue().encode()) + reader.finish()
    assert reader.channels == truth.channels
    assert reader.stopped is None
    assert stretches(blocks) == truth.finish(ns_of(raw, timescale))


VARIABLES = (
    "$var wire 1 ! scl $end",
    "$var wire 1 b1 sda $end",
    "$var reg 4 # v [3:0] $end",
    "$var wire 1 $x clk $end",
    "$var wire 1 ! top_scl $end",
    "$var real 64 r lvl $end",
)
CHANNELS = ("scl", "sda", "v[0]", "v[3]", "clk", "top_scl")
WORDS = st.one_of(
    st.builds("{}{}".format, st.sampled_from("01xXzZ"), st.sampled_from(["!", "b1", "$x"])),
    st.builds(
        "{}{} {}".format,
        st.sampled_from("bB"),
        st.text("01xz", min_size=1, max_size=4),
        st.just("#"),
    ),
    st.builds("b{} {}".format, st.sampled_from("01xz"), st.sampled_from(["!", "b1", "$x"])),
    st.builds("r{} r".format, st.floats(allow_nan=False, allow_infinity=False)),
    st.just("$comment 1! #0 $end"),
    st.builds("+{}".format, st.integers(0, 2000)),  # stands for a later time
    st.builds("+{}".format, st.integers(0, 2000)),
)


def tokens_of(text: bytes) -> Iterator[tuple[str, str | int]]:
    """(identifier code, value) of changes and ("", time), as pyvcd's tokenizer sees them."""
    for token in tokenize(io.BytesIO(text)):
        if token.kind is TokenKind.CHANGE_TIME:
            yield "", token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            yield token.scalar_change.id_code, str(token.scalar_change.value)
        elif token.kind is TokenKind.CHANGE_VECTOR:
            value = token.vector_change.value
            yield token.vector_change.id_code, f"{value:b}" if isinstance(value, int) else value


def expected_from_tokens(text: bytes) -> list[Stretch]:
    truth, t_ns = Truth(CHANNELS), 0
    for code, value in tokens_of(text):
        if code == "":
            if int(value) != t_ns:
                truth.settle(t_ns)
            t_ns = int(value)
            continue
        digits = str(value).lower()
        fill = "0" if digits[0] in "01" else digits[0]
        digits = digits.rjust(4, fill)
        if code == "!":
            truth.values["scl"] = truth.values["top_scl"] = digits[-1]
        elif code == "b1":
            truth.values["sda"] = digits[-1]
        elif code == "$x":
            truth.values["clk"] = digits[-1]
        else:
            truth.values["v[0]"], truth.values["v[3]"] = digits[-1], digits[-4]
    truth.settle(t_ns)
    return truth.finish(t_ns)


@settings(max_examples=100, deadline=None)
@given(
    words=st.lists(WORDS, max_size=80),
    blank=st.sampled_from(["\n", " ", "\r\n", "\t\n "]),
)
def test_same_levels_as_by_the_tokenizer_of_pyvcd(words: list[str], blank: str) -> None:
    start = ["#0", "$dumpvars", "1!", "0b1", "b10 #", "z$x", "$end", "#1"]
    raw, written = 1, []
    for word in words:
        raw += int(word[1:]) if word[0] == "+" else 0
        written.append(f"#{raw}" if word[0] == "+" else word)
    head = " ".join(("$timescale 1 ns $end", *VARIABLES, "$enddefinitions $end"))
    text = (head + "\n" + blank.join([*start, *written, ""])).encode()
    reader = VcdReader("random.vcd", wanted=CHANNELS)
    blocks = reader.feed(text) + reader.finish()
    assert reader.channels == CHANNELS
    assert reader.stopped is None
    assert stretches(blocks) == expected_from_tokens(text)


@pytest.mark.parametrize("lines", [1, 95, 9_000])
def test_identifier_codes_of_every_length_that_pyvcd_makes_are_read(lines: int) -> None:
    file = io.StringIO()
    writer = VCDWriter(file, timescale="1 ns", date="today")
    nets = [writer.register_var("top", f"n{k}", "wire", size=1, init=k % 2) for k in range(lines)]
    for step in range(1, 500):
        writer.change(nets[step * 37 % lines], step, step % 2)
        writer.change(nets[-1], step, step // 3 % 2)
    writer.close(500)
    reader = VcdReader("long.vcd", wanted=[f"n{lines - 1}"])
    blocks = reader.feed(file.getvalue().encode()) + reader.finish()
    levels = [(lines - 1) % 2, *(step // 3 % 2 for step in range(1, 500))]
    expected = [(0, levels[0])]
    expected += [(k, b) for k, b in enumerate(levels) if k and b != levels[k - 1]]
    assert stretches(blocks) == [(expected, 500)]
