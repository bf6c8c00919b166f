"""Replies of one target: what was read, after which request, as rows of bytes.

Replies are alike in shape when the same was asked of the target and as many bytes were read. Where
a target is asked for more than `MOST_REQUESTS` different things (a memory, say), the first byte and
the length of what was written stand for the request.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

MOST_REQUESTS = 64
MOST_BYTES = 512  # of one reply that are looked at
TOLD_BYTES = 16  # of what was written before it
LONGEST_READS = 3  # reads in a row after one request that are told apart by their place

# A transaction cut by the edge of the capture, or broken inside a byte, is no reply to judge.
_BROKEN = ("begins-cut", "ends-cut", "cut-in-byte")


@dataclass(frozen=True, slots=True, eq=False)
class Replies:
    """n replies of one target in time order."""

    t_ns: Ints  # [n] start of each
    row: Ints  # [n] its row in the table it came from
    length: Ints  # [n] bytes of it that are kept
    data: Bytes  # [n, k] those bytes; zeros behind them
    shape: Ints  # [n] replies of equal number are alike in shape; 0, 1, ..
    request: Ints  # [n] what was asked, as a number; equal numbers, equal requests
    told: Bytes | None = None  # [n, q] the last write before it of more than a register's number

    def __len__(self) -> int:
        return len(self.t_ns)

    def part(self, at: slice) -> Replies:
        """Some of them."""
        return Replies(
            self.t_ns[at],
            self.row[at],
            self.length[at],
            self.data[at],
            self.shape[at],
            self.request[at],
            None if self.told is None else self.told[at],
        )

    def of_shape(self, shape: int) -> Ints:
        """Which replies have a shape."""
        return np.flatnonzero(self.shape == shape)

    @property
    def shapes(self) -> int:
        """How many shapes there are."""
        return int(self.shape.max()) + 1 if len(self) else 0


@dataclass(frozen=True, slots=True)
class Target:
    """One address of one bus."""

    source: str
    bus: str
    address: int
    address_bits: int


def replies_by_target(transactions: pl.DataFrame) -> Iterator[tuple[Target, Replies]]:
    """The replies of each target, for a `transactions` table in time order."""
    keys = ["source", "bus", "address", "address_bits"]
    rows = transactions.select(
        *keys, "start_ns", "read", "address_acked", "data", "problems"
    ).with_row_index("row")
    known = rows.filter(pl.col("address").is_not_null() & pl.col("start_ns").is_not_null())
    for key, part in known.partition_by(keys, as_dict=True, maintain_order=True).items():
        source, bus, address, bits = key
        found = replies_of(part)
        if len(found):
            yield Target(str(source), str(bus), int(address), int(bits)), found


def replies_of(rows: pl.DataFrame) -> Replies:
    """The replies among the transactions of one target.

    Args:
        rows: its transactions in time order, with `row`, `start_ns`, `read`, `address_acked`,
            `data` (hex) and `problems`.
    """
    read = pl.col("read")
    written = pl.when(~read & pl.col("address_acked")).then(pl.col("data"))
    more = pl.when(pl.col("data").str.len_bytes() > 2).then(written)
    asked = rows.with_columns(
        told=more.forward_fill().fill_null("").str.slice(0, 2 * TOLD_BYTES),
        request=written.forward_fill().fill_null(""),
        nth=read.cum_sum().over((~read).cum_sum()).clip(upper_bound=LONGEST_READS),
    )
    broken = pl.col("problems").list.eval(pl.element().is_in(_BROKEN)).list.any()
    whole = pl.col("address_acked") & (pl.col("data").str.len_bytes() > 0) & ~broken
    found = asked.filter(read & whole.fill_null(value=False)).with_columns(
        length=(pl.col("data").str.len_bytes() // 2).clip(upper_bound=MOST_BYTES).cast(pl.Int64)
    )
    if found["request"].n_unique() > MOST_REQUESTS:
        short = pl.format(
            "{}/{}", pl.col("request").str.slice(0, 2), pl.col("request").str.len_bytes()
        )
        found = found.with_columns(kind=short)
    else:
        found = found.with_columns(kind=pl.col("request"))
    shape = pl.struct("kind", "nth", "length").rank("dense") - 1
    found = found.with_columns(
        shape=shape.cast(pl.Int64), asked=(pl.col("request").rank("dense") - 1).cast(pl.Int64)
    )
    length = found["length"].to_numpy()
    told = found["told"]
    told_length = (told.str.len_bytes() // 2).cast(pl.Int64).to_numpy()
    return Replies(
        t_ns=found["start_ns"].to_numpy(),
        row=found["row"].cast(pl.Int64).to_numpy(),
        length=length,
        data=_matrix(found["data"], length),
        shape=found["shape"].to_numpy(),
        request=found["asked"].to_numpy(),
        told=_matrix(told, told_length) if told_length.any() else None,
    )


def _matrix(data: pl.Series, length: Ints) -> Bytes:
    """Hex texts as rows of bytes, zeros behind the shorter ones."""
    width = int(length.max()) if len(length) else 0
    cut = data.str.slice(0, 2 * width).str.pad_end(2 * width, "0")
    flat = np.frombuffer(bytes.fromhex("".join(cut)), np.uint8)
    return flat.reshape(len(length), width)
