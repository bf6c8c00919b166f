"""Events by kind: what recurs in each source, and the numbers it carries.

Links are learned between kinds: a printed sentence, a topic, a device's packet, an address that was
or was not acknowledged. Only events that have a place on the common axis take part.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.alignment.series import NUMBER
from console.timeline.events import outside_packets
from console.timeline.links.numbers import Number, numbers_of
from console.timeline.links.passed_on import passed_on, published_in
from console.timeline.parties import Parties

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

# Where values go from, unless times say otherwise: the wire, the print about it, the message.
RANKS = {
    "transactions": 0,
    "packets": 0,
    "exchanges": 0,
    "words": 0,
    "pulses": 0,
    "prints": 1,
    "messages": 2,
}
REFUSED = " not acknowledged"
LEAST_EVENTS = 3  # a kind seen less often teaches nothing
LONGEST_NS = 10_000_000_000  # what comes later is not linked to its cause
GAPS = 3  # an effect may come while so many of its kind are under way
LEAST_NS = 1_000_000_000  # but that long it may take in any case
MOST_KINDS = 48  # of one table, most frequent first
MOST_KEPT = 6  # numbers that tell the events of a kind apart best
MOST_ALIKE = 0.2  # chance that two events carry one value, beyond which it joins nothing


@dataclass(frozen=True, slots=True, eq=False)
class EventKind:
    """The k events of one kind, by time; in ns on the common axis."""

    table: str
    name: str  # "camera: poll # seq #", "capline/cam/blocks", "blocks"
    source: str  # that observed them
    subject: str  # device, topic, line; "" of prints
    party: int
    row: Int64s  # [k] of the table
    from_ns: Int64s  # [k] rises; when each begins, which is when it is an effect
    done_ns: Int64s  # [k] when each is complete, from when on it may be a cause
    band_ns: Int64s  # [k]
    numbers: tuple[Number, ...] = ()  # that tell its events apart, best first
    varied: tuple[Number, ...] = ()  # all that are not always the same

    def __len__(self) -> int:
        return len(self.row)

    @property
    def rank(self) -> int:
        """Where it stands between the wire and the network."""
        return RANKS[self.table]

    @property
    def is_failure(self) -> bool:
        """Whether each of them is a request that failed."""
        refused = self.table == "transactions" and self.name.endswith(REFUSED)
        return refused or self.table == "exchanges"

    @property
    def gap_ns(self) -> int:
        """The usual time from one to the next."""
        return int(np.median(np.diff(self.from_ns))) if len(self) > 1 else 0

    @property
    def reach_ns(self) -> int:
        """Further apart than this, it and another kind have nothing to do with each other."""
        return min(LONGEST_NS, max(GAPS * self.gap_ns, LEAST_NS))

    @property
    def rate(self) -> float:
        """Events a ns."""
        return len(self) / max(int(self.from_ns[-1] - self.from_ns[0]), 1)

    def covers(self, t_ns: Int64s) -> Bools:
        """bool[n]: which times lie where its events were seen, or within reach of that."""
        first, last = self.from_ns[0] - self.reach_ns, self.from_ns[-1] + self.reach_ns
        inside: Bools = (t_ns >= first) & (t_ns <= last)
        return inside


def kinds_of(tables: Mapping[str, pl.DataFrame], parties: Parties) -> list[EventKind]:
    """Every kind seen often enough, by table and how often it was seen.

    Args:
        tables: the tables of events by name.
        parties: whose column each row goes to.
    """
    buses = sources_of_buses(tables)
    bus = pl.col("bus").replace_strict(buses, default="", return_dtype=pl.String)
    devices = _buses_of_devices(tables["packets"])
    device_source = pl.col("device").replace_strict(
        {device: buses.get(name, "") for device, name in devices.items()},
        default=next(iter(buses.values()), ""),
        return_dtype=pl.String,
    )
    outside = pl.Series(outside_packets(tables, parties))
    refused = pl.when("address_acked").then(pl.lit("")).otherwise(pl.lit(REFUSED))
    way = pl.when("read").then(pl.lit("read")).otherwise(pl.lit("write"))
    asked = pl.format("{} of {}{}", way, pl.col("address"), refused)
    looked = [
        _Looked("transactions", asked, pl.col("source"), pl.col("bus"), outside),
        _Looked("packets", pl.col("packet"), bus, pl.col("device")),
        _Looked(
            "exchanges",
            pl.format("no reply to {}", pl.col("request").fill_null("")),
            device_source,
            pl.col("device"),
            pl.col("outcome") == "none",
        ),
        _Looked("words", pl.lit("word"), pl.col("source"), pl.col("device")),
        _Looked(
            "pulses",
            pl.format(
                "{} {}", "line", pl.when("high").then(pl.lit("high")).otherwise(pl.lit("low"))
            ),
            pl.col("source"),
            pl.col("line"),
        ),
        _Looked("prints", sentences(), pl.col("source"), pl.lit("")),
        _Looked(
            "messages",
            pl.col("topic"),
            pl.col("source"),
            pl.col("topic"),
            ~passed_on(published_in(tables)),
        ),
    ]
    return [kind for each in looked for kind in _kinds(each, tables[each.table], parties)]


def sentences() -> pl.Expr:
    """Printed lines with a `#` for each number."""
    return pl.col("text").str.replace_all(NUMBER, "#")


def sources_of_buses(tables: Mapping[str, pl.DataFrame]) -> dict[str, str]:
    """Which capture observed each bus."""
    pairs = pl.concat(
        [tables[name].select("bus", "source").unique() for name in ("transactions", "line_states")]
    )
    return dict(pairs.drop_nulls().unique(maintain_order=True).iter_rows())


def _buses_of_devices(packets: pl.DataFrame) -> dict[str, str]:
    return dict(packets.select("device", "bus").drop_nulls().unique().iter_rows())


@dataclass(frozen=True, slots=True)
class _Looked:
    """How the rows of one table fall into kinds."""

    table: str
    name: pl.Expr
    source: pl.Expr
    subject: pl.Expr
    wanted: pl.Expr | pl.Series | bool = True


def _kinds(looked: _Looked, table: pl.DataFrame, parties: Parties) -> Iterator[EventKind]:
    if not table.height:
        return
    begins = table.columns[0]
    done = "end_ns" if "end_ns" in table.columns and looked.table != "pulses" else begins
    rows = (
        table.lazy()
        .with_row_index("row")
        .filter(looked.wanted, pl.col(begins).is_not_null(), pl.col("band_ns").is_not_null())
        .select(
            pl.col("row").cast(pl.Int64),
            from_ns=pl.col(begins),
            done_ns=pl.col(done),
            band_ns=pl.col("band_ns"),
            name=looked.name,
            source=looked.source,
            subject=looked.subject,
            party=parties.column_of(looked.table),
        )
        .drop_nulls(["name", "source", "subject"])
        .collect()
    )
    by = ["name", "source", "subject", "party"]
    counts = rows.group_by(by, maintain_order=True).len()
    often = counts.filter(pl.col("len") >= LEAST_EVENTS).sort(
        "len", descending=True, maintain_order=True
    )
    often = often.head(MOST_KINDS).drop("len")
    parts = rows.join(often, on=by, maintain_order="left").partition_by(by, as_dict=True)
    for key in often.iter_rows():
        part, (name, source, subject, party) = parts[key], key
        columns = {c: part[c].to_numpy() for c in ("row", "from_ns", "done_ns", "band_ns")}
        numbers = numbers_of(looked.table, str(name), table, columns["row"])
        telling = [number for number in numbers if number.alike <= MOST_ALIKE]
        yield EventKind(
            looked.table,
            str(name),
            str(source),
            str(subject),
            int(party),
            **columns,
            numbers=tuple(telling[:MOST_KEPT]),
            varied=tuple(numbers),
        )
