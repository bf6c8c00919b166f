"""Runs of unanswered addresses: after what, how long, how closely repeated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.traffic import runs_of


@dataclass(frozen=True, slots=True)
class NackRun:
    """Unanswered transactions to one device in a row."""

    from_ns: int
    length_ns: int  # to the first answer, or to the last try
    count: int
    spacing_ns: int  # median from one's end to the next one's start; 0 for one
    after: str  # what the device was last sent that it took
    ended: bool  # it answered again


def nack_runs(facts: Facts) -> list[NackRun]:
    """Of the episode's device, in order."""
    own = facts.traffic.own_run.filter(pl.col("address").is_not_null())
    refused = (~own["address_acked"].fill_null(value=True)).to_numpy()
    begins, lengths = runs_of(refused)
    starts, ends = own["start_ns"].to_numpy(), own["end_ns"].to_numpy()
    writes, reads = own["data"].to_list(), own["read"].to_list()
    found = []
    for first, count in zip(begins.tolist(), lengths.tolist(), strict=True):
        last = first + count
        gaps = starts[first + 1 : last] - ends[first : last - 1]
        until = starts[last] if last < len(starts) else ends[last - 1]
        found.append(
            NackRun(
                int(starts[first]),
                int(until - starts[first]),
                count,
                int(np.median(gaps)) if len(gaps) else 0,
                _command(writes, reads, first),
                last < len(starts),
            )
        )
    return found


def _command(writes: list[str], reads: list[bool], first: int) -> str:
    """The register or command byte of the last write before."""
    if first and not reads[first - 1]:
        return str(writes[first - 1])[:2]
    return ""
