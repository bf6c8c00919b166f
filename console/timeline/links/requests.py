"""Requests on a bus: the replies they got, and what a request without one lacks further on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.links.absent import LEAST_CAUSES, Absent, Expected, absent
from console.timeline.links.instead import Instead, Target
from console.timeline.links.joins import Relation
from console.timeline.links.kinds import EventKind
from console.timeline.parties import Parties

Int64s = npt.NDArray[np.int64]

NO_REPLY = "no reply"
DEEPEST = 4  # steps from a reply to the last of its effects


def replies(tables: Mapping[str, pl.DataFrame], parties: Parties) -> pl.DataFrame:
    """The links from each request to its reply, both packets: rows, times and party."""
    packets = tables["packets"].lazy().with_row_index("row").select("device", "start_ns", "row")
    ends = packets.unique(["device", "start_ns"], keep="first")
    asked = ends.rename({"start_ns": "request_ns", "row": "from_row"})
    came = ends.rename({"start_ns": "reply_ns", "row": "to_row"})
    return (
        tables["exchanges"]
        .lazy()
        .filter(pl.col("reply_ns").is_not_null())
        .join(asked, on=["device", "request_ns"])
        .join(came, on=["device", "reply_ns"])
        .select(
            "from_row",
            "to_row",
            from_ns=pl.col("request_ns"),
            to_ns=pl.col("reply_ns"),
            party=parties.column_of("packets"),
            what=pl.col("reply"),
            from_what=pl.col("request"),
        )
        .collect()
    )


def lacking_replies(
    tables: Mapping[str, pl.DataFrame],
    kinds: Sequence[EventKind],
    relations: Sequence[Relation],
    expected: Sequence[Expected],
    instead: Instead,
) -> Iterator[Absent]:
    """What requests without a reply lack of the effects that replies have, each effect once."""
    exchanges = tables["exchanges"].with_row_index("row").drop_nulls(["request_ns", "band_ns"])
    replied = {(kind.subject, kind.name): kind for kind in kinds if kind.table == "packets"}
    silent = exchanges.filter(pl.col("outcome") == "none")
    for (device, request), rows in silent.group_by("device", "request", maintain_order=True):
        answered = exchanges.filter(pl.col("reply_ns").is_not_null(), device=device)
        own = answered.filter(pl.col("request") == request)
        answered = own if own.height else answered  # a refused write may be any request
        if answered.height < LEAST_CAUSES:
            continue
        reply = replied.get((str(device), str(answered["reply"].mode().sort()[0])))
        if reply is None:
            continue
        asked = _asked(rows, reply)
        wait = (answered["reply_ns"] - answered["request_ns"]).to_numpy()
        takes = int(np.median(wait)) + int(np.median(reply.done_ns - reply.from_ns))
        for each in _reached(reply, takes, expected):
            lacking = np.flatnonzero(~_acted(asked, each.target, relations))
            yield absent(asked, lacking, each, instead, NO_REPLY)


def _asked(rows: pl.DataFrame, reply: EventKind) -> EventKind:
    """The requests without a reply as causes."""
    request_ns = rows["request_ns"].to_numpy()
    return EventKind(
        table="exchanges",
        name=NO_REPLY,
        source=reply.source,
        subject=reply.subject,
        party=reply.party,
        row=rows["row"].cast(pl.Int64).to_numpy(),
        from_ns=request_ns,
        done_ns=request_ns,
        band_ns=rows["band_ns"].to_numpy(),
    )


def _reached(reply: EventKind, takes_ns: int, expected: Sequence[Expected]) -> Iterable[Expected]:
    """What follows replies, directly or by what they cause, each at the shortest way.

    Args:
        reply: the replies.
        takes_ns: from a request to the end of its reply.
        expected: what is expected of all kinds of causes.
    """
    found: dict[Target, Expected] = {}
    todo = [(reply, takes_ns, takes_ns, takes_ns)]
    for _ in range(DEEPEST):
        further = []
        for cause, early, usual, late in todo:
            for each in expected:
                if each.cause is not cause or each.target in found:
                    continue
                sums = early + each.early_ns, usual + each.usual_ns, late + each.late_ns
                found[each.target] = replace(
                    each, early_ns=sums[0], usual_ns=sums[1], late_ns=sums[2]
                )
                further += [(relation.effect, *sums) for relation in each.relations]
        todo = further
    return found.values()


def _acted(
    asked: EventKind, target: Target, relations: Sequence[Relation]
) -> npt.NDArray[np.bool_]:
    """Which requests had another effect in the same source: it said that they failed."""
    acted = np.zeros(len(asked), np.bool_)
    for relation in relations:
        effect, cause = relation.effect, relation.cause
        if (effect.table, effect.source) != (target.table, target.source):
            continue
        if cause.rank == asked.rank:
            acted |= np.isin(asked.from_ns, cause.from_ns[relation.joined.have(len(cause))])
    return acted
