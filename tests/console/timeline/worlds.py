"""Benches with known clocks: what each source would have recorded, and when it truly was.

The wire's clock is the axis. Prints follow the wire, messages follow prints, each on a clock of its
own with offset and drift; a world may roll its ticks over, reset its board, set its recorder's
clock, garble, lose and repeat. All lines and messages go through the project's own decoders.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.alignment.series import Series, json_series, print_series, value_series
from console.timeline.alignment.ties import SourceClock
from console.timeline.tables.message_tables import messages_frame
from console.timeline.tables.print_tables import print_times
from decoders.messages.columns import Messages
from decoders.messages.recording import MessageDecoder
from decoders.prints.columns import Prints
from decoders.prints.prints import PrintDecoder

Int64s = npt.NDArray[np.int64]

MS = 1_000_000
SECOND = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Plan:
    """What goes on in one world."""

    polls: int = 400
    period_ns: int = SECOND
    period_jitter_ns: int = 0  # 0: exactly periodic polling
    print_delay_ns: int = 3 * MS  # at most; the least is 0
    board_ppm: float = 0.0
    tick_us_first: int = 0  # of a 32-bit counter of microseconds
    reset_at: int | None = None  # poll before which the board starts anew
    latency_ns: int = 16 * MS  # of a message, at most; the least is 0
    quantum_ns: int = 0  # arrivals are only seen every so often
    host_ppm: float = 0.0
    host_ns: int = 1_795_597_920 * SECOND
    step_at: int | None = None  # poll before which the recorder's clock is set
    step_ns: int = 0
    wrong: float = 0.0  # share of messages that carry a wrong number
    lost: float = 0.0
    repeated: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """What was recorded, and when each row truly was."""

    clocks: list[SourceClock]
    series: list[Series]
    true_ns: dict[str, Int64s]  # source -> true time of every row


def random_plan(seed: int) -> Plan:
    """A plan with everything that may go wrong, each in some of the worlds."""
    rng = np.random.default_rng(seed)
    polls = int(rng.integers(250, 600))
    some = rng.random(8)
    up_us = int(rng.integers(0, 2**32))  # up to 71 minutes before
    first = 2**32 - int(rng.integers(1, polls)) * 1_000_000 if some[0] < 0.5 else up_us
    return Plan(
        polls=polls,
        period_jitter_ns=0 if some[1] < 0.5 else 30 * MS,
        board_ppm=float(rng.uniform(-200, 200)),
        tick_us_first=first,
        reset_at=int(polls * rng.uniform(0.35, 0.65)) if some[2] < 0.3 else None,
        quantum_ns=16 * MS if some[3] < 0.5 else 0,
        latency_ns=1 * MS if some[3] < 0.5 else 16 * MS,
        host_ppm=float(rng.uniform(-200, 200)),
        step_at=int(polls * rng.uniform(0.35, 0.65)) if some[4] < 0.3 else None,
        step_ns=int(rng.choice([-3600, -2, 1, 45, 7200])) * SECOND,
        wrong=0.3 if some[5] < 0.5 else 0.0,
        lost=0.01,
        repeated=0.01,
    )


def world(plan: Plan, seed: int) -> World:
    """What the bench of a plan recorded."""
    rng = np.random.default_rng([seed, 7])
    n = plan.polls
    wire = np.arange(n) * plan.period_ns + 250 * MS
    wire += rng.integers(0, plan.period_jitter_ns + 1, n)
    reading = rng.integers(0, 320, (n, 2))
    printed = wire + rng.integers(0, plan.print_delay_ns + 1, n)
    prints, print_true = _prints(plan, printed, reading)
    messages, message_true = _messages(plan, rng, printed, reading)
    return _decoded(wire, reading, prints, print_true, messages, message_true)


def _prints(plan: Plan, printed: Int64s, reading: Int64s) -> tuple[Prints, Int64s]:
    """The serial log, and the true time of its lines."""
    board = _native(printed, plan.board_ppm, 0)  # time since power-on
    start = np.zeros(len(printed), np.int64)
    if plan.reset_at is not None:
        start[plan.reset_at :] = board[plan.reset_at] - 40 * MS
    ticks = (board - start) // 1_000 + np.where(start == 0, plan.tick_us_first, 0)
    lines = [
        f"[{tick % 2**32:10d}] camera: seq {k + 1} x {x} y {y}"
        for k, (tick, (x, y)) in enumerate(zip(ticks.tolist(), reading.tolist(), strict=True))
    ]
    decoder = PrintDecoder("log", line=r"^\[ *(?P<us>\d+)\] (?P<text>.*)$", tick_bits=32)
    text = "\r\n".join([*lines, ""]).encode()
    return Prints.concat([decoder.feed(text), decoder.finish()]), printed


def _messages(
    plan: Plan, rng: np.random.Generator, printed: Int64s, reading: Int64s
) -> tuple[Messages, Int64s]:
    """The recorder's file, and the true time at which each message came to be sent."""
    n = len(printed)
    index = np.flatnonzero(rng.random(n) >= plan.lost)
    index = np.sort(np.concatenate([index, index[rng.random(len(index)) < plan.repeated]]))
    sent = printed[index] + rng.integers(0, plan.latency_ns + 1, len(index))
    sent = np.maximum.accumulate(sent)
    arrived = sent if not plan.quantum_ns else _quantised(plan, rng, sent)
    host = _native(arrived, plan.host_ppm, plan.host_ns)
    if plan.step_at is not None:
        host = host + np.where(index >= plan.step_at, plan.step_ns, 0)
    number = index + 1
    wrong = rng.random(len(index)) < plan.wrong
    number = np.where(wrong, rng.integers(1, n + 1, len(index)), number)
    lines = []
    for k, t_ns, seq in zip(index.tolist(), host.tolist(), number.tolist(), strict=True):
        payload = {"seq": seq, "x": int(reading[k, 0]), "y": int(reading[k, 1])}
        record = {"t_ns": t_ns, "topic": "line/cam", "payload": json.dumps(payload)}
        lines.append(json.dumps(record))
    decoder = MessageDecoder("broker")
    text = "\n".join([*lines, ""]).encode()
    return Messages.concat([decoder.feed(text), decoder.finish()]), arrived


def _quantised(plan: Plan, rng: np.random.Generator, sent: Int64s) -> Int64s:
    """When an adapter that is asked every so often, by a timer of its own, hands them on."""
    period = plan.quantum_ns * (1 + rng.uniform(-100e-6, 100e-6))
    phase = rng.uniform(0, period)
    seen: Int64s = np.ceil(phase + np.ceil((sent - phase) / period) * period).astype(np.int64)
    return seen


def _native(true_ns: Int64s, ppm: float, start_ns: int) -> Int64s:
    native: Int64s = start_ns + true_ns + np.rint(true_ns * (ppm * 1e-6)).astype(np.int64)
    return native


def _decoded(
    wire: Int64s,
    reading: Int64s,
    prints: Prints,
    print_true: Int64s,
    messages: Messages,
    message_true: Int64s,
) -> World:
    """Clocks and series of the three sources, as the pipeline makes them."""
    rows = np.arange(len(wire))
    times = print_times(prints)
    frame = messages_frame(messages, "broker")
    t_ns = frame["t_ns"].to_numpy()
    ends = np.array([0, int(wire[-1]) + SECOND])
    series = [
        *value_series("wire", "sequence", wire, rows, (rows + 1).astype(np.float64)),
        *value_series("wire", "x", wire, rows, reading[:, 0].astype(np.float64)),
        *print_series("log", times.native_ns, np.arange(len(prints)), pl.Series(prints.texts())),
        *json_series("broker", t_ns, np.arange(len(t_ns)), frame["topic"], frame["fields"]),
    ]
    clocks = [
        SourceClock("wire", "capture", 0, ends, ends * 0, is_wall=False),
        SourceClock("log", "firmware", 1, times.native_ns, times.epoch, is_wall=False),
        SourceClock("broker", "host", 2, t_ns, t_ns * 0, is_wall=True),
    ]
    true = {"wire": wire, "log": print_true, "broker": message_true}
    return World(clocks, series, true)
