"""The events around one: what a finding's place looks like before one goes there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from console.app.run_view import RunView
from console.timeline.times import since_start

MOST_WORDS = 400  # characters of one event's words that are looked at


@dataclass(frozen=True, slots=True)
class Near:
    """One event in words; what comes from outside in it is not cleaned."""

    k: int  # index into the view's events
    at: str
    party: int
    name: str
    state: int  # GOOD, ODD, BAD or UNSEEN of `console.timeline.events`
    words: str


def around(view: RunView, k: int, before: int, after: int) -> Iterator[Near]:
    """The events around event k of a view, in their order; fewer at the ends of the run."""
    for n in range(max(0, k - before), min(len(view.events), k + after + 1)):
        party = int(view.events.party[n])
        band = view.band_ns(n)
        yield Near(
            k=n,
            at=since_start(
                int(view.events.t_ns[n]) - view.start_ns, None if band < 0 else max(band, 1_000)
            ),
            party=party,
            name=view.parties.every[party].name,
            state=int(view.events.state[n]),
            words=view.words(n)[:MOST_WORDS],
        )
