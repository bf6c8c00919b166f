"""Runs of a peripheral that dies, with a precursor of known rarity planted, or none.

Tables are built as columns at once, so that hundreds of runs take a minute. The healthy traffic is
made to tempt: it drifts, has heavy tails, counters, measured values and sums, rare prints, rare
messages, other devices at other paces, and spikes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.model import Bench
from console.bench.tables import TABLES, time_column
from console.diagnosis.cutting import episodes_of
from console.diagnosis.scene import Scene, SceneSource
from console.trust.unobserved import Unobserved

US, MS, S = 1_000, 1_000_000, 1_000_000_000
PERIOD_NS = 100 * MS
ADDRESS, OTHER, MUX, RARE = 0x2E, 0x44, 0x70, 0x68
DEAD = 25  # polls that nobody answers
# What may be planted, and the kind of difference it is.
PLANTS: Mapping[str, str] = {
    "shape": "shape",
    "missing-stop": "shape",
    "poll-gap": "gap",
    "reply-gap": "gap",
    "byte": "bytes",
    "neighbour": "neighbour",
    "neighbour-before-bad": "neighbour",
    "close-neighbour": "neighbour",
    "print": "prints",
    "message": "messages",
    "stretch": "length",
}

Ints = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Seen:
    """What was watched."""

    until_ns: int
    observed_until: Mapping[str, int]
    unobserved: Mapping[str, Unobserved] = field(default_factory=dict)
    off_axis: tuple[str, ...] = ()


def scene_with(
    plant: str, seed: int, *, polls: int = 4000, rarity: float = 1e-3, sources: bool = True
) -> Scene:
    """The scene of the one failure of a run.

    Args:
        plant: one of PLANTS, or "" for none.
        seed: of the run.
        polls: that were answered.
        rarity: in what share of healthy polls the precursor is by chance.
        sources: whether there are prints and messages.
    """
    rng = np.random.default_rng([seed, len(plant), sum(plant.encode())])
    marked = rng.random(polls) < rarity
    marked[-1] = True
    if not plant:
        marked[:] = False
    starts, late = _starts(rng, polls, marked if plant == "poll-gap" else None)
    tables = {"transactions": _traffic(rng, starts, plant, marked, polls)}
    if sources:
        tables["prints"] = _prints(rng, starts[:polls], marked if plant == "print" else None)
        tables["messages"] = _messages(rng, starts[:polls], marked if plant == "message" else None)
    tables["line_states"] = _spikes(rng, starts[:polls])
    end_ns = int(starts[-1]) + late
    seen = Seen(end_ns, dict.fromkeys(("wire", "board", "broker"), end_ns))
    lives = episodes_of(Bench(), tables, seen)
    (episode,) = (e for e in lives if e.failed and e.address == ADDRESS)
    kinds = {"wire": "capture"} | ({"board": "prints", "broker": "messages"} if sources else {})
    return Scene(
        episode=episode,
        tables=tables,
        start_ns=0,
        end_ns=end_ns,
        sources=[SceneSource(name, kind, end_ns) for name, kind in kinds.items()],
    )


def restless(seed: int, polls: int = 2500) -> Scene:
    """A healthy end in a run that never repeats itself: nothing planted, and much that is new.

    The log brings new words all along and a restart every few minutes, a counter's high byte moves
    on, and the length of the replies wanders.
    """
    scene = scene_with("", 10_000 + seed, polls=polls)
    rng = np.random.default_rng(seed)
    end_ns = scene.episode.first_bad_ns
    said_ns, boots_ns = np.sort(rng.integers(0, end_ns, 300)), rng.integers(0, end_ns, 12)
    words = ["".join(map(chr, rng.integers(97, 123, 6))) for _ in range(60)]
    which = (60 * said_ns / end_ns * rng.random(300) ** 0.2).astype(np.int64)
    texts = [f"task {words[k]} said {k % 7}" for k in which] + ["boot: reset by watchdog"] * 12
    more = pl.DataFrame({"t_ns": np.concatenate([said_ns, boots_ns]), "text": texts})
    more = more.with_columns(source=pl.lit("board"), damaged=False, band_ns=pl.lit(400 * US))
    prints = pl.concat([scene.table("prints"), _table("prints", more)]).sort("t_ns")
    replies = pl.col("read") & (pl.col("address") == ADDRESS)
    count = replies.cum_sum()
    counter = pl.col("data").str.slice(0, 2) + (count // 64 % 256).map_elements(
        "{:02x}".format, return_dtype=pl.String
    )
    traffic = scene.table("transactions")
    wander = np.exp(np.cumsum(rng.normal(0, 1 / 60, traffic.height))) * 20 * US
    traffic = traffic.with_columns(
        data=pl.when(replies).then(counter + pl.col("data").str.slice(4)).otherwise("data"),
        end_ns=pl.when(replies)
        .then(pl.col("end_ns") + pl.Series(wander.astype(np.int64)))
        .otherwise("end_ns"),
    )
    return replace(scene, tables={**scene.tables, "prints": prints, "transactions": traffic})


def _starts(rng: np.random.Generator, polls: int, late: Truths | None) -> tuple[Ints, int]:
    """Of every poll when it begins; the unanswered ones follow on."""
    n = polls + DEAD
    period = PERIOD_NS * (1 + 0.01 * np.linspace(0, 1, n)) + rng.normal(0, 0.3 * MS, n)
    period += np.where(rng.random(n) < 0.02, rng.exponential(4 * MS, n), 0.0)
    if late is not None:
        period[:polls][late] += 45 * MS  # the pause before a marked poll, added up below
    return (np.cumsum(period)).astype(np.int64), PERIOD_NS


def _traffic(
    rng: np.random.Generator, starts: Ints, plant: str, marked: Truths, polls: int
) -> pl.DataFrame:
    n = len(starts)
    alive = np.arange(n) < polls
    mark = np.zeros(n, np.bool_)
    mark[:polls] = marked
    took = 300 * US + rng.integers(-4, 5, n) * 250
    parts = [_rows(starts, took, ADDRESS, read=False, data=["10"] * n, acked=alive)]
    wait = (1200 * US + rng.normal(0, 30 * US, n)).astype(np.int64) + 3 * US
    wait += np.where(np.arange(n) % 10 == 0, 900 * US, 0)
    if plant == "reply-gap":
        wait[mark] = 1700 * US + rng.integers(0, 20 * US, int(mark.sum()))
    read_at = starts + took + wait
    read_took = 900 * US + rng.integers(-8, 9, n) * 250 + np.where(rng.random(n) < 0.02, 40 * US, 0)
    if plant == "stretch":
        read_took[mark] += 700 * US + rng.integers(0, 300 * US, int(mark.sum()))
    data = _replies(rng, n, mark if plant == "byte" else None)
    ended = np.where(mark & (plant == "missing-stop"), "start", "stop")
    parts.append(
        _rows(read_at, read_took, ADDRESS, read=True, data=data, keep=alive, ended_by=ended)
    )
    tenth = alive & (np.arange(n) % 10 == 0)
    value = [f"20{v:02x}" for v in rng.integers(0, 256, n)]
    at = starts + took + 500 * US + rng.integers(-10, 11, n) * US
    parts.append(_rows(at, took, ADDRESS, read=False, data=value, keep=tenth))
    if plant == "shape":
        rare = [f"3b{v:02x}00" for v in rng.integers(0, 256, n)]
        keep = mark & ~tenth
        parts.append(_rows(at, took // 2, ADDRESS, read=False, data=rare, keep=keep))
    parts += _others(rng, starts, read_at, plant, mark)
    return _table("transactions", pl.concat(parts))


def _others(
    rng: np.random.Generator, starts: Ints, read_at: Ints, plant: str, mark: Truths
) -> list[pl.DataFrame]:
    """What other addresses are asked, at paces of their own."""
    n = len(starts)
    length = np.full(n, 280 * US)
    somewhere = starts + rng.integers(5 * MS, 90 * MS, n)
    fifth = np.arange(n) % 5 == 2
    parts = [
        _rows(somewhere, length, OTHER, read=False, data=["00"] * n, keep=fifth),
        _rows(somewhere + 400 * US, length, OTHER, read=True, data=["1234"] * n, keep=fifth),
    ]
    seldom = rng.random(n) < 1 / 50
    parts.append(_rows(somewhere + 3 * MS, length, MUX, read=False, data=["04"] * n, keep=seldom))
    before = 150 * US + rng.integers(-25, 26, n) * US
    if plant == "neighbour":
        at = read_at - length - before
        parts.append(_rows(at, length, RARE, read=False, data=["6b80"] * n, keep=mark))
    if plant == "neighbour-before-bad":
        at = np.append(starts[1:], starts[-1] + PERIOD_NS) - length - before
        parts.append(_rows(at, length, RARE, read=False, data=["6b80"] * n, keep=mark))
    if plant == "close-neighbour":
        at = np.append(starts[1:], starts[-1] + PERIOD_NS) - length - before
        parts.append(_rows(at, length, OTHER, read=True, data=["1234"] * n, keep=mark))
    return parts


def _replies(rng: np.random.Generator, n: int, rare: Truths | None) -> list[str]:
    """Status, counter, noise, a slow value in two bytes, and a sum."""
    status = rng.choice([0x00, 0x01, 0x03], n, p=[0.88, 0.11, 0.01])
    if rare is not None:
        status[rare] = 0x80
    slow = (20_000 + 4_000 * np.sin(np.arange(n) / 900) + rng.normal(0, 30, n)).astype(np.int64)
    noise, total = rng.integers(0, 256, n), rng.integers(0, 256, n)
    columns = np.stack([status, np.arange(n) % 256, noise, slow >> 8, slow & 255, total], axis=1)
    whole = columns.astype(np.uint8).tobytes().hex()
    return [whole[12 * k : 12 * k + 12] for k in range(n)]


def _rows(
    starts: Ints,
    took: Ints,
    address: int,
    *,
    read: bool,
    data: list[str],
    keep: Truths | None = None,
    acked: Truths | None = None,
    ended_by: npt.NDArray[Any] | None = None,
) -> pl.DataFrame:
    n = len(starts)
    acked = np.ones(n, np.bool_) if acked is None else acked
    frame = pl.DataFrame(
        {
            "start_ns": starts,
            "end_ns": starts + took,
            "address": np.full(n, address),
            "read": np.full(n, read),
            "address_acked": acked,
            "data": data,
            "ended_by": ["stop"] * n if ended_by is None else ended_by,
        }
    ).with_columns(
        data=pl.when("address_acked").then("data").otherwise(pl.lit("")),
        source=pl.lit("wire"),
        bus=pl.lit("i2c-1"),
        address_bits=pl.lit(7),
        started_by=pl.lit("start"),
        problems=pl.lit([], pl.List(pl.String)),
    )
    frame = frame.with_columns(acks=pl.col("data").str.replace_all("..", "A"))
    return frame if keep is None else frame.filter(pl.Series(keep))


def _prints(rng: np.random.Generator, starts: Ints, rare: Truths | None) -> pl.DataFrame:
    n = len(starts)
    soon = starts + 3 * MS + rng.integers(0, 2 * MS, n)
    level = 80 + np.cumsum(rng.normal(0, 0.05, n))
    parts = [(soon, [f"hopper: poll {k} level {x:.1f} cm" for k, x in enumerate(level)])]
    tenth = np.arange(n) % 10 == 3
    heap = rng.integers(41_000, 42_000, n)
    parts.append((soon[tenth] + MS, [f"loop: heap {h} free" for h in heap[tenth]]))
    for share, words in ((1 / 300, "link: strength -{} dB"), (1 / 700, "clock: adjusted by {} us")):
        now = rng.random(n) < share
        texts = [words.format(v) for v in rng.integers(30, 90, int(now.sum()))]
        parts.append((starts[now] + rng.integers(6 * MS, 90 * MS, int(now.sum())), texts))
    if rare is not None:
        texts = [f"hopper: retry in {v} ms" for v in rng.integers(1, 20, int(rare.sum()))]
        parts.append((starts[rare] + rng.integers(20 * MS, 70 * MS, int(rare.sum())), texts))
    frame = pl.concat([pl.DataFrame({"t_ns": t, "text": texts}) for t, texts in parts if len(t)])
    native = pl.col("t_ns") + 1_000_000
    return _table(
        "prints",
        frame.with_columns(
            source=pl.lit("board"), native_ns=native, damaged=False, band_ns=pl.lit(400 * US)
        ),
    )


def _messages(rng: np.random.Generator, starts: Ints, rare: Truths | None) -> pl.DataFrame:
    n = len(starts)
    soon = starts + rng.integers(8 * MS, 15 * MS, n)
    level = rng.normal(80, 3, n)
    texts = [f'{{"n":{k},"level":{x:.1f}}}' for k, x in enumerate(level)]
    parts = [(soon, "capline/hopper/level", texts)]
    now = rng.random(n) < 1 / 300
    parts.append((soon[now] + MS, "capline/board/state", ['{"up":true}'] * int(now.sum())))
    if rare is not None:
        at = starts[rare] + rng.integers(20 * MS, 70 * MS, int(rare.sum()))
        parts.append((at, "capline/diverter/command", ['{"gate":"left"}'] * int(rare.sum())))
    frame = pl.concat(
        [
            pl.DataFrame({"t_ns": t, "payload": texts}).with_columns(topic=pl.lit(topic))
            for t, topic, texts in parts
            if len(t)
        ]
    )
    return _table(
        "messages",
        frame.with_columns(source=pl.lit("broker"), retain=False, band_ns=pl.lit(4 * MS)),
    )


def _spikes(rng: np.random.Generator, starts: Ints) -> pl.DataFrame:
    at = starts[rng.random(len(starts)) < 1 / 500] + 700 * US
    frame = pl.DataFrame({"start_ns": at, "end_ns": at + 30}).with_columns(
        source=pl.lit("wire"), bus=pl.lit("i2c-1"), state=pl.lit("spike")
    )
    return _table("line_states", frame)


def _table(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """All columns of the table, sorted."""
    columns = [
        (pl.col(column) if column in frame.columns else pl.lit(None)).cast(kind).alias(column)
        for column, kind in TABLES[name].items()
    ]
    return frame.select(columns).sort(time_column(name), maintain_order=True)
