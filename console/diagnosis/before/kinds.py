"""What is looked at, and how much of the error that is allowed is spent on each.

With 0.05 in all, each kind may err with 0.05 times its share (weighted Bonferroni: Holm 1979,
Scandinavian Journal of Statistics 6, 65-70, section 3). Most is spent on what is most often the
answer. Shares are fixed here, before anything is seen; kinds that could not be looked at in a run
leave theirs to the others.
"""

from __future__ import annotations

from collections.abc import Mapping

KINDS: Mapping[str, float] = {
    "shape": 1.0,  # direction, length, first byte, how it began and ended (a missing STOP)
    "order": 0.5,  # which shape follows which; a rare shape or pause says most of it
    "gap": 1.5,  # the pause before a transaction
    "length": 1.0,  # how long a shape takes: clock stretching, or a controller that pauses
    "bytes": 1.0,  # values rare at their place
    "neighbour": 2.0,  # transactions of other addresses, and how shortly before
    "prints": 1.0,
    "messages": 1.0,
    "growth": 0.15,  # lengths that rose over the last transactions
    "leftover": 0.15,  # a reply that begins with the end of the one before it
    "lines": 0.15,  # spikes, noise, lines held
    "pulses": 0.15,  # of the wire itself: runts, short highs, long lows
    "numbers": 0.15,  # in prints
    "values": 0.15,  # numbers in payloads
    "memory": 0.15,  # printed heap numbers that shrink
    "restart": 0.15,  # so shortly after a restart or a reconnect
    "happenings": 0.15,
}

# What each is called before people.
KIND_WORDS: Mapping[str, str] = {
    "shape": "forms of transactions",
    "order": "their order",
    "gap": "pauses",
    "length": "how long they take",
    "growth": "what grew",
    "bytes": "bytes",
    "leftover": "leftovers of the reply before",
    "neighbour": "what others on the bus were asked",
    "lines": "disturbances of the lines",
    "pulses": "widths of pulses",
    "prints": "prints",
    "numbers": "numbers in prints",
    "memory": "free memory",
    "restart": "restarts",
    "messages": "messages",
    "values": "numbers in messages",
    "happenings": "the recorder's own log",
}

# Of a kind's share, what is spent on each place that is looked at.
LAST = "from the last good poll on"
BAD = "right before the first unanswered one"
BEFORE = "in one of the four polls before the last good one"
THROUGH = "all through the run"  # what has no place of its own
POLLS_BEFORE = 4
_TWO: Mapping[str, float] = {LAST: 0.9, BEFORE: 0.1}
_THREE: Mapping[str, float] = {LAST: 0.6, BAD: 0.35, BEFORE: 0.05}


def places(kind: str) -> Mapping[str, float]:
    """Where a kind is looked for, and the part of its share that is spent there.

    How a transaction that nobody answered looks says nothing about what came before it, but the
    pause and the neighbour before it do.
    """
    return _THREE if kind in ("gap", "neighbour") else _TWO
