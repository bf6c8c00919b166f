"""Which kinds of event are neighbours on a way, from the table of links.

A pair is a kind of cause and a kind of effect. It is a hop when nothing that was seen as often
stands between the two: what a lost print lacks further on is told by the pair that crosses it, and
is no loss of a hop of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

KIND = ("from_table", "from_party", "from_what")
PAIR = (*KIND, "to_table", "to_party", "to_what")
PAIR_OF_LINK = (*KIND, "to_table", "to_party", "what")  # as the table of links has it
NOWHERE = (1 << 32, 0)  # way and depth of what is on no hop
SEVERAL = ".."  # ends a name that stands for several kinds
HOP, ANSWER = "hop", "answer"
LEAST_SHARE = 0.05  # of a kind's effects that must come over a pair

Kind = tuple[str, int, str]  # table, party, what


@dataclass(frozen=True, slots=True)
class Pair:
    """A kind of cause and a kind of effect."""

    cause: Kind
    effect: Kind
    seen: int

    @property
    def is_answer(self) -> bool:
        """Whether a message answers a message, over everything that lies between."""
        return self.cause[0] == self.effect[0] == "messages"


def with_kinds(tables: Mapping[str, pl.DataFrame], links: pl.DataFrame) -> pl.DataFrame:
    """The links with `to_what`, and with the replies that requests lack.

    `to_what` is the kind of the effect, or the name several kinds share: of a command printed in
    two wordings, what is missing is missing of both, so they are one kind.
    """
    links = pl.concat([links, lacking_replies(tables, links)], how="diagonal_relaxed")
    missing = links.filter(pl.col("what").str.ends_with(SEVERAL) & (pl.col("outcome") != "seen"))
    shared = missing.select(*KIND, "to_table", "to_party", "what").unique(maintain_order=True)
    whole = pl.col("what")
    for table, party, cause, to_table, to_party, name in shared.iter_rows():
        own = (
            (pl.col("from_table") == table)
            & (pl.col("from_party") == party)
            & (pl.col("from_what") == cause)
            & (pl.col("to_table") == to_table)
            & (pl.col("to_party") == to_party)
            & pl.col("what").str.starts_with(name.removesuffix(SEVERAL))
        )
        whole = pl.when(own).then(pl.lit(name)).otherwise(whole)
    return links.with_columns(to_what=whole)


def lacking_replies(tables: Mapping[str, pl.DataFrame], links: pl.DataFrame) -> pl.DataFrame:
    """Requests without a reply as links to the reply that is missing.

    The table of links has what such a reply would have brought further on, and not itself. A
    request that was refused on the bus is no packet, and has no row.
    """
    replied = links.filter(by="reply")
    if not replied.height:
        return links.clear()
    packets = tables["packets"].select("device", "packet", "start_ns").with_row_index("from_row")
    asked = packets.unique(["device", "start_ns"], keep="first")
    usual = (
        replied.with_columns(device=packets["device"].gather(replied["from_row"]))
        .group_by("device", *PAIR_OF_LINK, maintain_order=True)
        .len()
        .sort("len", descending=True, maintain_order=True)
        .unique(["device", "from_what"], keep="first", maintain_order=True)
    )
    return (
        tables["exchanges"]
        .filter(outcome="none")
        .join(asked, left_on=["device", "request_ns"], right_on=["device", "start_ns"], how="left")
        .join(usual, left_on=["device", "request"], right_on=["device", "from_what"])
        .select(
            *(name for name in PAIR_OF_LINK if name != "from_what"),
            from_what="request",
            from_row="from_row",
            from_ns="request_ns",
            to_ns="request_ns",
            by=pl.lit("reply"),
            outcome=pl.lit("missing"),
            band_ns=pl.lit(0, dtype=pl.Int64),
            ambiguous=pl.lit(value=False),
        )
    )


def pairs_of(links: pl.DataFrame) -> dict[Pair, str]:
    """The pairs that are hops, or answers.

    Args:
        links: with kinds.
    """
    counted = links.filter(outcome="seen").group_by(PAIR, maintain_order=True).len()
    pairs = [
        Pair((row[0], row[1], row[2]), (row[3], row[4], row[5]), row[6])
        for row in counted.iter_rows()
    ]
    direct = [pair for pair in pairs if not pair.is_answer]
    arrived: dict[Kind, int] = {}
    for pair in direct:
        arrived[pair.effect] = arrived.get(pair.effect, 0) + pair.seen
    found = {pair: ANSWER for pair in pairs if pair.is_answer}
    for pair in direct:
        rare = pair.seen < LEAST_SHARE * arrived[pair.effect]
        if not rare and not _is_crossed(pair, direct):
            found[pair] = HOP
    return found


def _is_crossed(pair: Pair, others: Iterable[Pair]) -> bool:
    """Whether a kind stands between the two, over which more went."""
    others = list(others)
    after = {p.effect: p.seen for p in others if p.cause == pair.cause and p is not pair}
    before = {p.cause: p.seen for p in others if p.effect == pair.effect and p is not pair}
    return any(min(after[kind], before[kind]) >= pair.seen for kind in after.keys() & before.keys())


def ways(pairs: Mapping[Pair, str]) -> dict[Kind, tuple[int, int]]:
    """Of each kind on a hop: which way it is on, and how many hops from where that begins.

    Ways that meet are one. A way that goes round is cut.
    """
    hops = [pair for pair, span in pairs.items() if span == HOP]
    kinds = dict.fromkeys(kind for pair in hops for kind in (pair.cause, pair.effect))
    way = {kind: k for k, kind in enumerate(kinds)}
    depth = dict.fromkeys(kinds, 0)
    for _ in range(len(kinds)):  # some dozen kinds
        before = dict(way), dict(depth)
        for pair in hops:
            way[pair.cause] = way[pair.effect] = min(way[pair.cause], way[pair.effect])
            deeper = min(depth[pair.cause] + 1, len(kinds))
            depth[pair.effect] = max(depth[pair.effect], deeper)
        if before == (way, depth):
            break
    return {kind: (way[kind], depth[kind]) for kind in kinds}
