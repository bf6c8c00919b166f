"""What can be counted in a life: traffic by shape, NACKs, messages, prints, happenings, by name."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

import polars as pl

from console.bench.tables import TABLES, time_column
from console.diagnosis.episode import Episode
from console.diagnosis.scene import is_on_bus, is_own
from console.timeline.alignment.series import NUMBER
from console.watch.names import Names

_MOST_KINDS = 20  # of topics, sentences and shapes, the most frequent


def countable(
    episode: Episode,
    tables: Mapping[str, pl.DataFrame],
    names: Names,
    off_axis: Collection[str],
    zero_ns: int,
) -> Iterator[pl.DataFrame]:
    """Frames of what to count: columns `name`, `t_ns`, `n` (how much: 1, or bytes) and `source`.

    Args:
        episode: whose life; what its target was asked stands apart from what others were.
        tables: of its run, on the common axis, sorted.
        names: who is who.
        off_axis: sources that have no place on the axis.
        zero_ns: the beginning of the life; its end is the last good transaction.
    """

    def rows(name: str) -> pl.DataFrame:
        part = _between(tables, name, zero_ns, episode.last_good_ns)
        return part.filter(~pl.col("source").is_in(list(off_axis))) if off_axis else part

    yield from _of_bus(rows("transactions"), episode, names)
    messages, prints, happened = rows("messages"), rows("prints"), rows("happenings")
    yield _named(messages, "t_ns", pl.format("messages on {}", "topic"), most=_MOST_KINDS)
    sentence = pl.col("text").str.replace_all(NUMBER, "#")
    yield _named(prints, "t_ns", pl.format("prints like {}", sentence), most=_MOST_KINDS)
    yield _named(prints, "t_ns", pl.format("prints on {}", "source"))
    yield _named(happened, "t_ns", pl.format("happenings: {} on {}", "what", "source"))


def own_transactions(
    episode: Episode, tables: Mapping[str, pl.DataFrame], zero_ns: int
) -> pl.DataFrame:
    """The target's transactions in a life, with four columns more.

    `length` (bytes of data), `data_nack`, `unanswered`, and `shape`, which is null where nothing
    was answered: "writes of 2 bytes, 3B first", "reads of 6 bytes".
    """
    rows = _between(tables, "transactions", zero_ns, episode.last_good_ns)
    return _shaped(rows.filter(is_on_bus(episode) & is_own(episode)))


def _shaped(own: pl.DataFrame) -> pl.DataFrame:
    read, length = pl.col("read"), pl.col("data").str.len_bytes() // 2
    data_nack = ~read & pl.col("acks").str.contains("N", literal=True)
    unanswered = (~pl.col("address_acked") | data_nack).fill_null(False)
    unit = pl.when(length == 1).then(pl.lit("byte")).otherwise(pl.lit("bytes"))
    first = pl.col("data").str.head(2).str.to_uppercase()
    shape = (
        pl.when(unanswered | (length == 0))
        .then(None)
        .when(read)
        .then(pl.format("reads of {} {}", length, unit))
        .otherwise(pl.format("writes of {} {}, {} first", length, unit, first))
    )
    return own.with_columns(length=length, data_nack=data_nack, unanswered=unanswered, shape=shape)


def _of_bus(rows: pl.DataFrame, episode: Episode, names: Names) -> Iterator[pl.DataFrame]:
    """What the target was asked, and what others on its bus were."""
    rows = rows.filter(is_on_bus(episode))
    own = _shaped(rows.filter(is_own(episode)))
    rows = rows.with_columns(length=pl.col("data").str.len_bytes() // 2)
    read, length = pl.col("read"), pl.col("length")
    yield _named(own, "start_ns", pl.lit("transactions"))
    yield _named(own.filter(read), "start_ns", pl.lit("reads"))
    yield _named(own.filter(~read), "start_ns", pl.lit("writes"))
    yield _named(own, "start_ns", pl.col("shape"), most=_MOST_KINDS)
    yield _named(own.filter(~pl.col("address_acked")), "start_ns", pl.lit("address NACKs"))
    yield _named(own.filter(pl.col("data_nack")), "start_ns", pl.lit("data NACKs"))
    yield _named(own.filter(pl.col("unanswered").shift(1)), "start_ns", pl.lit("retries"))
    yield _named(own, "start_ns", pl.lit("bytes"), length)
    yield _named(own.filter(read), "start_ns", pl.lit("bytes read"), length)
    yield _named(own.filter(~read), "start_ns", pl.lit("bytes written"), length)
    yield _named(rows, "start_ns", pl.format("transactions on {}", "bus"))
    yield _named(rows, "start_ns", pl.format("bytes on {}", "bus"), length)
    others = rows.filter(~is_own(episode) & pl.col("address").is_not_null())
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
        source=pl.col("source"),
    ).filter(pl.col("name").is_not_null())
    if most is None:
        return part
    frequent = part["name"].value_counts(sort=True)["name"].head(most)
    return part.filter(pl.col("name").is_in(frequent.implode()))


def _between(
    tables: Mapping[str, pl.DataFrame], name: str, from_ns: int, until_ns: int
) -> pl.DataFrame:
    """The rows of a table in a span, both ends included."""
    table = timed(tables, name)
    times = table[time_column(name)]
    first = int(times.search_sorted(from_ns, side="left"))
    return table.slice(first, int(times.search_sorted(until_ns, side="right")) - first)


def timed(tables: Mapping[str, pl.DataFrame], name: str) -> pl.DataFrame:
    """The rows of a table that have a time, maybe none."""
    found = tables.get(name)
    if found is None:
        return pl.DataFrame(schema=dict(TABLES[name]))
    return found.filter(pl.col(time_column(name)).is_not_null())
