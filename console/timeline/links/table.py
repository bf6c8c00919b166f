"""Links: what was cause and effect on two parties, and the effects that did not come.

The `links` table, by `to_ns`:

| column | |
|---|---|
| `from_ns` | when the cause was complete (a packet at its end, but a request at its start) |
| `to_ns` | when the effect began; of one that did not come, when it was due |
| `from_table` `from_row` | the row of the cause, from 0 |
| `to_table` `to_row` | the row of the effect; no row where it did not come |
| `from_party` `to_party` | columns of the timeline, as indices into `Parties.every` |
| `latency_ns` | from one to the other, below 0 only within `band_ns`; null where none came |
| `by` | what tells that they belong together, see below |
| `outcome` | `seen`, `missing`, or `not-observed` where the source could not have shown it |
| `band_ns` | half-width within which the latency, or the time it was due, is known |
| `ambiguous` | whether another cause would do as well, as far as the bands tell |
| `what` | the kind of the effect: a packet, a sentence with `#` for its numbers, a topic |
| `from_what` | the kind of the cause |

`by` is `reply` for a request and its reply; `sequence = seq` or `poll` where both carry an equal
value, by the names it has in the cause and the effect; `follows` where a kind of event always
follows another (`links_values.py` and `links_follows.py`
have the tests); `no reply` where a request got none, so that
what follows replies did not come either (`links_absent.py`).

An effect has one cause: of several that it could be traced to (the packet, the print about it) the
nearest to it, and beside that the message that it answers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.links.absent import Absent, absent_effects, expected_of
from console.timeline.links.instead import Instead, Spans
from console.timeline.links.joins import Relation, bands_ns
from console.timeline.links.kinds import kinds_of
from console.timeline.links.learned import relations_of
from console.timeline.links.requests import lacking_replies, replies
from console.timeline.parties import Parties

SCHEMA: Mapping[str, pl.DataType] = {
    "from_ns": pl.Int64(),
    "to_ns": pl.Int64(),
    "from_table": pl.String(),
    "from_row": pl.UInt32(),
    "to_table": pl.String(),
    "to_row": pl.UInt32(),
    "from_party": pl.UInt16(),
    "to_party": pl.UInt16(),
    "latency_ns": pl.Int64(),
    "by": pl.String(),
    "outcome": pl.String(),
    "band_ns": pl.Int64(),
    "ambiguous": pl.Boolean(),
    "what": pl.String(),
    "from_what": pl.String(),
}


def links_of(
    tables: Mapping[str, pl.DataFrame], parties: Parties, unobserved: Mapping[str, Spans]
) -> pl.DataFrame:
    """The `links` table of a run.

    Args:
        tables: every table of events by name, on the common axis.
        parties: whose column each row goes to.
        unobserved: of each source the spans of the axis in which it may have missed something, or
            had no place on the axis.
    """
    kinds = kinds_of(tables, parties)
    relations = relations_of(kinds)
    instead = Instead(tables, kinds, relations, unobserved)
    expected = expected_of(relations, instead)
    replied = _replies(tables, parties)
    parts = [pl.DataFrame(schema=SCHEMA), replied]
    parts += _seen(relations, replied["to_row"].to_numpy())
    parts += map(_missing, absent_effects(expected, instead))
    parts += map(_missing, lacking_replies(tables, kinds, relations, expected, instead))
    return pl.concat(parts).sort("to_ns", "from_ns", maintain_order=True)


def with_names(links: pl.DataFrame, parties: Parties) -> pl.DataFrame:
    """A table with the parties' names instead of their columns, in every `*_party`."""
    names = pl.Series([party.name for party in parties.every], dtype=pl.String)
    ends = [name for name in links.columns if name.endswith("_party")]
    return links.with_columns(
        pl.Series(end, names.gather(links[end].cast(pl.UInt32))) for end in ends
    )


def _replies(tables: Mapping[str, pl.DataFrame], parties: Parties) -> pl.DataFrame:
    """The links of requests and their replies; both on one clock."""
    return _columns(
        replies(tables, parties),
        from_table=pl.lit("packets"),
        to_table=pl.lit("packets"),
        from_party=pl.col("party"),
        to_party=pl.col("party"),
        latency_ns=pl.col("to_ns") - pl.col("from_ns"),
        by=pl.lit("reply"),
        outcome=pl.lit("seen"),
        band_ns=pl.lit(0),
        ambiguous=pl.lit(False),
    )


def _columns(frame: pl.DataFrame, **columns: pl.Expr) -> pl.DataFrame:
    """The frame as a part of the table."""
    return frame.with_columns(**columns).select(
        pl.col(name).cast(kind) for name, kind in SCHEMA.items()
    )


def _seen(relations: Sequence[Relation], replies: npt.NDArray[np.uint32]) -> Iterator[pl.DataFrame]:
    """Of each effect the link to its nearest cause, and to the message that it answers.

    Args:
        relations: which kinds cause which.
        replies: rows of the packets that are replies, whose cause is their request.
    """
    effects: dict[tuple[int, bool], list[Relation]] = {}
    for relation in relations:
        effects.setdefault((id(relation.effect), relation.is_answer), []).append(relation)
    for same in effects.values():
        effect = same[0].effect
        is_packet = effect.table == "packets"
        linked = np.isin(effect.row, replies) if is_packet else np.zeros(len(effect), np.bool_)
        for relation in _nearest_first(same):
            own = np.flatnonzero((relation.joined.cause >= 0) & ~linked)
            linked[own] = True
            yield _links(relation, own)


def _nearest_first(relations: Sequence[Relation]) -> Iterator[Relation]:
    """The relations of one effect, its nearest cause first.

    Where their bands cannot tell which of several causes is the nearest, values go from the wire to
    the print to the message.
    """
    left = list(relations)
    while left:
        nearest = min(left, key=lambda r: r.delays.usual_ns)
        beside = [r for r in left if _cannot_tell(r, nearest)]
        found = max(beside, key=lambda r: (r.cause.rank, -r.delays.usual_ns))
        left.remove(found)
        yield found


def _cannot_tell(one: Relation, other: Relation) -> bool:
    """Whether the causes of two relations have no known order before their effect."""
    apart_ns = abs(one.delays.usual_ns - other.delays.usual_ns)
    if one.cause.source == other.cause.source:
        return one is other or apart_ns == 0
    bands = (one.cause.band_ns, other.cause.band_ns)
    return apart_ns <= sum(int(np.median(band)) for band in bands)


def _links(relation: Relation, k: np.ndarray[tuple[int], np.dtype[np.int64]]) -> pl.DataFrame:
    """The links of some effects."""
    cause, effect = relation.cause, relation.effect
    at = relation.joined.cause[k]
    frame = pl.DataFrame(
        {
            "from_ns": cause.done_ns[at],
            "to_ns": effect.from_ns[k],
            "from_row": cause.row[at],
            "to_row": effect.row[k],
            "band_ns": bands_ns(cause, effect, at, k),
            "ambiguous": relation.joined.ambiguous[k],
        }
    )
    return _columns(
        frame,
        from_table=pl.lit(cause.table),
        to_table=pl.lit(effect.table),
        from_party=pl.lit(cause.party),
        to_party=pl.lit(effect.party),
        latency_ns=pl.col("to_ns") - pl.col("from_ns"),
        by=pl.lit(relation.by),
        outcome=pl.lit("seen"),
        what=pl.lit(effect.name),
        from_what=pl.lit(cause.name),
    )


def _missing(absent: Absent) -> pl.DataFrame:
    """The rows of effects that did not come."""
    frame = pl.DataFrame(
        {
            "from_ns": absent.cause.done_ns[absent.at],
            "to_ns": absent.to_ns,
            "from_row": absent.cause.row[absent.at],
            "band_ns": absent.band_ns,
            "outcome": np.where(absent.observed, "missing", "not-observed").tolist(),
        }
    )
    return _columns(
        frame,
        from_table=pl.lit(absent.cause.table),
        to_table=pl.lit(absent.effect.table),
        to_row=pl.lit(None),
        from_party=pl.lit(absent.cause.party),
        to_party=pl.lit(absent.effect.party),
        latency_ns=pl.lit(None),
        by=pl.lit(absent.by),
        ambiguous=pl.lit(False),
        what=pl.lit(absent.what),
        from_what=pl.lit(absent.cause.name),
    )
