"""Where the next one of a sort is: one function for all the keys that go somewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from console.app.run_view import RunView
from console.timeline.finding.seeking import (
    next_match,
    next_moment,
    next_of_kind,
    next_of_party,
    next_problem,
)

Sort = Literal["finding", "problem", "kind", "party", "mark", "match"]
NONE_WORDS = {
    "finding": "nothing was found in this run",
    "problem": "no other event is bad or odd",
    "kind": "no other event of this kind",
    "party": "no other event of this party",
    "mark": "no mark is set: m sets one",
    "match": "nothing matches: / looks for text",
}


@dataclass(frozen=True, slots=True)
class Gone:
    """Where to go: an event or only a moment; `words` says what a user should know of it."""

    t_ns: int
    event: int | None
    words: str = ""


def next_one(
    view: RunView,
    sort: Sort,
    here: tuple[int, int],
    *,
    forward: bool,
    marks_ns: Sequence[int] = (),
    matches: npt.NDArray[np.bool_] | None = None,
) -> Gone | str:
    """The next or the previous one; in words why there is none.

    Args:
        view: the run.
        sort: of what.
        here: the chosen event and the time where the user stands.
        forward: later ones, else earlier ones.
        marks_ns: the marks, by time.
        matches: bool[n] which events a search found.
    """
    k, t_ns = here
    events = view.events
    if sort == "finding":
        found = next_moment([f.t_ns for f in view.evidence.findings], t_ns, forward=forward)
        if found is None:
            return NONE_WORDS[sort]
        finding = view.evidence.findings[found.at]
        return Gone(finding.t_ns, view.event_of(finding), _round(found.wrapped, forward))
    if sort == "mark":
        found = next_moment(marks_ns, t_ns, forward=forward)
        if found is None:
            return NONE_WORDS[sort]
        return Gone(marks_ns[found.at], None, _round(found.wrapped, forward))
    if sort == "problem":
        found = next_problem(events, k, forward=forward)
    elif sort == "kind":
        found = next_of_kind(view.tables, events, k, forward=forward)
    elif sort == "party":
        found = next_of_party(events, k, forward=forward)
    else:
        found = None if matches is None else next_match(matches, k, forward=forward)
    if found is None:
        return NONE_WORDS[sort]
    return Gone(int(events.t_ns[found.at]), found.at, _round(found.wrapped, forward))


def _round(wrapped: bool, forward: bool) -> str:
    if not wrapped:
        return ""
    return "went on from the beginning" if forward else "went on from the end"
