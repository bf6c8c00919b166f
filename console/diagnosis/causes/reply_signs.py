"""What several tests ask of replies: all ones, frozen, left over, a register reset."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes.bad_replies import ONES
from console.diagnosis.causes.content import frozen_of
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.rotation import leftovers_of
from console.diagnosis.causes.setup import setup_lost


def released(facts: Facts) -> pl.DataFrame:
    """Replies of all ones, where most replies are something else."""
    replies = facts.traffic.replies
    ones = replies.filter(pl.col("data").str.contains(ONES))
    first = int(ones["start_ns"][0]) if ones.height else 0
    before = replies.filter(pl.col("start_ns") < first).height
    return ones if before >= 5 else ones.clear()


def reads_back(facts: Facts) -> bool:
    """Whether a register reads as another value than it was set up to."""
    lost = facts.once(setup_lost)
    return lost is not None and lost.reads_back


def left_over(facts: Facts) -> bool:
    """Whether replies begin with what shorter reads left in a queue."""
    left = leftovers_of(facts.traffic.replies)
    return left is not None and left.fit >= 0.5


def frozen_now(facts: Facts) -> bool:
    """Whether replies stand still for longer than their own noise ever let them."""
    found = frozen_of(facts.traffic.replies)
    return found is not None and found.beyond
