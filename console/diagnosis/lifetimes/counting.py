"""Lives from the tables of a run: everything that was counted from its beginning to its end."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import polars as pl

from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.beginnings import Stamps, beginning, stamps_of
from console.diagnosis.lifetimes.countable import countable, timed
from console.diagnosis.lifetimes.lives import POLLS, Life
from console.watch.names import Names

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
    stamps = stamps_of(timed(tables, "prints"), off_axis)
    ended: dict[tuple[str, str, int, int], int] = {}  # when the life before it did, of each target
    found = []
    for episode in episodes:
        target = (episode.source, episode.bus, episode.address, episode.address_bits)
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
    for part in countable(episode, tables, names, off_axis, zero_ns):
        counts |= _counted(part, zero_ns, end_ns, open_ns)
    tick = None if stamps is None else stamps.tick_at(end_ns)
    return Life(
        run=run,
        device=episode.device,
        zero=zero,
        ended="failed" if episode.failed else "censored",
        elapsed_ns=max(end_ns - zero_ns, 0),
        exposed_ns=episode.elapsed_ns,
        how=episode.how,
        open_ns=open_ns,
        counts={name: n for name, n in counts.items() if n > 0},
        ticks={} if tick is None else {"us": tick // 1000},
        episode=episode,
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
