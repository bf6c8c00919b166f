"""Lives from the tables of a run: everything that was counted from its beginning to its end."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

import polars as pl

from console.bench.tables import TABLES, time_column
from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.beginnings import Stamps, beginning, stamps_of
from console.diagnosis.lifetimes.lives import POLLS, Life
from console.timeline.series import NUMBER
from console.watch.names import Names

_MOST_KINDS = 20  # of topics, sentences and shapes, the most frequent
# What came to an end long before the life did cannot have ended it: a boot's banner, a set-up. So
# many of its own usual intervals may lie between.
_STILL_GOING = 3.0


def lives_of(
    episodes: Sequence[Episode],
    tables: Mapping[str, pl.DataFrame],
    run: str,
    names: Names,
    off_axis: Collection[str] = (),
) -> list[Life]:
    """The lives of all peripherals of a run, in the order of their episodes.

    Args:
        episodes: of the run, in time order.
        tables: its tables, on the common axis, sorted.
        run: its name.
        names: who is who.
        off_axis: sources that have no place on the axis; what they hold is not counted.
    """
    stamps = stamps_of(_table(tables, "prints"), off_axis)
    ended: dict[tuple[str, str, int], int] = {}  # when the life before it did, of each target
    found = []
    for episode in episodes:
        target = (episode.source, episode.bus, episode.address)
        if not episode.transactions_answered or _is_pause(episode):
            continue
        found.append(_life(episode, tables, run, names, off_axis, stamps, ended.get(target)))
        ended[target] = episode.first_bad_ns
    return found


def _is_pause(episode: Episode) -> bool:
    """Whether it was only not asked for a while: then its life goes on, in the next episode."""
    return episode.how == "not-asked" and episode.recovered


def _life(
    episode: Episode,
    tables: Mapping[str, pl.DataFrame],
    run: str,
    names: Names,
    off_axis: Collection[str],
    stamps: Stamps | None,
    ended_before_ns: int | None,
) -> Life:
    zero, zero_ns = beginning(stamps, episode.first_good_ns, ended_before_ns)
    end_ns = episode.last_good_ns
    open_ns = max(episode.first_bad_ns - end_ns, 0) if episode.failed else 0
    counts = {POLLS: float(episode.polls_answered)}
    for part in _parts(episode, tables, names, off_axis, zero_ns):
        counts |= _counted(part, zero_ns, end_ns, open_ns)
    tick = None if stamps is None else stamps.tick_at(end_ns)
    return Life(
        run=run,
        device=episode.device,
        zero=zero,
        ended="failed" if episode.failed else "censored",
        elapsed_ns=max(end_ns - zero_ns, 0),
        how=episode.how,
        open_ns=open_ns,
        counts={name: n for name, n in counts.items() if n > 0},
        ticks={} if tick is None else {"us": tick // 1000},
    )


def _counted(part: pl.DataFrame, zero_ns: int, end_ns: int, open_ns: int) -> dict[str, float]:
    """Totals by name, of what still went on when the life ended.

    Args:
        part: columns `name`, `t_ns`, `n`: what to count, when, and how much.
        zero_ns: beginning of the life.
        end_ns: its end.
        open_ns: how long after that the end may truly be.
    """
    sums = part.group_by("name").agg(n=pl.col("n").sum(), rows=pl.len(), last=pl.col("t_ns").max())
    usual = (end_ns - zero_ns) / pl.col("rows")
    going = sums.filter(end_ns - pl.col("last") <= _STILL_GOING * usual + open_ns)
    return {str(name): float(n) for name, n in going.select("name", "n").iter_rows()}


def _parts(
    episode: Episode,
    tables: Mapping[str, pl.DataFrame],
    names: Names,
    off_axis: Collection[str],
    zero_ns: int,
) -> Iterator[pl.DataFrame]:
    """Frames of what to count: columns `name`, `t_ns` and `n`."""

    def rows(name: str) -> pl.DataFrame:
        table = _table(tables, name)
        times = table[time_column(name)]
        first = int(times.search_sorted(zero_ns, side="left"))
        end = int(times.search_sorted(episode.last_good_ns, side="right"))
        part = table.slice(first, end - first)
        return part.filter(~pl.col("source").is_in(list(off_axis))) if off_axis else part

    yield from _of_bus(rows("transactions"), episode, names)
    messages, prints, happened = rows("messages"), rows("prints"), rows("happenings")
    yield _named(messages, "t_ns", pl.format("messages on {}", "topic"), most=_MOST_KINDS)
    sentence = pl.col("text").str.replace_all(NUMBER, "#")
    yield _named(prints, "t_ns", pl.format("prints like {}", sentence), most=_MOST_KINDS)
    yield _named(prints, "t_ns", pl.format("prints on {}", "source"))
    yield _named(happened, "t_ns", pl.format("happenings: {} on {}", "what", "source"))


def _of_bus(rows: pl.DataFrame, episode: Episode, names: Names) -> Iterator[pl.DataFrame]:
    """What the target was asked, and what others on its bus were."""
    rows = rows.filter(
        (pl.col("source") == episode.source) & (pl.col("bus") == episode.bus)
    ).with_columns(length=pl.col("data").str.len_bytes() // 2)
    is_own = (pl.col("address") == episode.address) & (
        pl.col("address_bits") == episode.address_bits
    )
    own = rows.filter(is_own)
    read, length = pl.col("read"), pl.col("length")
    data_nack = ~read & pl.col("acks").str.contains("N", literal=True)
    unanswered = (~pl.col("address_acked") | data_nack).fill_null(False)
    shape = (
        pl.when(read)
        .then(pl.format("reads of {} bytes", "length"))
        .otherwise(pl.format("writes {}.. of {} bytes", pl.col("data").str.head(2), "length"))
    )
    yield _named(own, "start_ns", pl.lit("transactions"))
    yield _named(own.filter(read), "start_ns", pl.lit("reads"))
    yield _named(own.filter(~read), "start_ns", pl.lit("writes"))
    yield _named(own.filter(~unanswered & (length > 0)), "start_ns", shape, most=_MOST_KINDS)
    yield _named(own.filter(~pl.col("address_acked")), "start_ns", pl.lit("address NACKs"))
    yield _named(own.filter(data_nack), "start_ns", pl.lit("data NACKs"))
    yield _named(own.filter(unanswered.shift(1)), "start_ns", pl.lit("retries"))
    yield _named(own, "start_ns", pl.lit("bytes"), length)
    yield _named(own.filter(read), "start_ns", pl.lit("bytes read"), length)
    yield _named(own.filter(~read), "start_ns", pl.lit("bytes written"), length)
    yield _named(rows, "start_ns", pl.format("transactions on {}", "bus"))
    yield _named(rows, "start_ns", pl.format("bytes on {}", "bus"), length)
    others = rows.filter(~is_own & pl.col("address").is_not_null())
    keys = ["bus", "address", "address_bits"]
    for (bus, address, bits), part in others.partition_by(keys, as_dict=True).items():
        device = names.device(str(bus), int(address), int(bits))
        yield _named(part, "start_ns", pl.lit(f"transactions of {device}"))


def _named(
    rows: pl.DataFrame,
    time: str,
    name: pl.Expr,
    n: pl.Expr | None = None,
    most: int | None = None,
) -> pl.DataFrame:
    """Rows as things to count; of very many names the most frequent ones."""
    part = rows.select(
        name=name,
        t_ns=pl.col(time),
        n=(pl.lit(1) if n is None else n).cast(pl.Float64),
    ).filter(pl.col("name").is_not_null())
    if most is None:
        return part
    frequent = part["name"].value_counts(sort=True)["name"].head(most)
    return part.filter(pl.col("name").is_in(frequent.implode()))


def _table(tables: Mapping[str, pl.DataFrame], name: str) -> pl.DataFrame:
    found = tables.get(name)
    if found is None:
        return pl.DataFrame(schema=dict(TABLES[name]))
    return found.filter(pl.col(time_column(name)).is_not_null())
