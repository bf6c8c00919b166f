"""What the board's firmware prints: four houses' habits. None of them names a cause.

Most say "timeout" whatever happened, as most drivers hand up no more than that.
"""

from __future__ import annotations

from captures_demo.simulator.corpus.variant import Part

_GOOD = (
    "{name}: poll {poll} count {count} value {value}",
    "read {name} ok count={count} value={value}",
    "[i2c] {name} {count} {value}",
    "{name} {value} (sample {count}, poll {poll})",
)
_BAD = (
    "{name}: timeout, poll {poll}",
    "read {name} failed: timeout ({row} in a row)",
    "[i2c] {name} err -1",
    "{name}: {kind}, poll {poll}",  # the one that tells
)
_CHECK = (
    "{name}: check {got:02x} wrong, poll {poll}",
    "read {name} failed: bad check ({row} in a row)",
    "[i2c] {name} err -2",
    "{name}: bad check {got:02x}, poll {poll}",
)
_KINDS = {
    "address-nack": "no ack",
    "data-nack": "no ack",
    "scl-held": "timeout",
    "sda-held": "bus busy",
    "timeout": "timeout",
}


def good(style: int, part: Part, poll: int, count: int, value: int) -> str:
    """A poll that was answered."""
    return _GOOD[style].format(name=part.name, poll=poll, count=count, value=value)


def bad(style: int, part: Part, poll: int, row: int, kind: str) -> str:
    """A poll that was not; `row` counts those in a row."""
    return _BAD[style].format(name=part.name, poll=poll, row=row, kind=_KINDS.get(kind, "timeout"))


def wrong_check(style: int, part: Part, poll: int, row: int, got: int) -> str:
    """A poll whose reply has a wrong check code."""
    return _CHECK[style].format(name=part.name, poll=poll, row=row, got=got)
