"""Places for the command palette: findings, parties, marks and the other screens."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Protocol, cast

import numpy as np
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.content import Content

from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo
from console.app.state.kept import Kept, Mark
from console.printable import printable
from console.timeline.events import BAD, ODD
from console.timeline.times import since_start
from console.watch.findings import SEVERITIES

MOST_DISCOVERED = 12  # findings offered before anything is typed
AROUND = ("start", "opening")  # screens that are not over a run
LONGEST = 200  # characters of a title


@dataclass(frozen=True, slots=True)
class PalettePlace:
    """Somewhere to go: a moment, or a screen."""

    title: str  # cleaned
    help: str  # our own words: the palette reads markup in them
    t_ns: int | None = None
    event: int | None = None
    screen: str | None = None
    is_finding: bool = False


class PaletteHost(Protocol):
    """What the palette asks of the app."""

    view: RunView | None
    kept: Kept
    MODES: Mapping[str, object]

    async def action_switch_to(self, name: str) -> None:
        """Show another screen."""

    def post_message(self, message: GoTo) -> bool:
        """Ask it to go to a moment."""


def palette_places(
    view: RunView | None, marks: Sequence[Mark], screens: Sequence[str]
) -> list[PalettePlace]:
    """All places of a run, the gravest findings first, then marks, parties, screens."""
    if view is None:
        return []
    others = [PalettePlace(f"screen: {name}", "show this screen", screen=name) for name in screens]
    return [*_findings(view), *_marks(view, marks), *_parties(view), *others]


def _title(*parts: str) -> str:
    return printable(" ".join(part for part in parts if part)[:LONGEST])


def _findings(view: RunView) -> Iterator[PalettePlace]:
    order = sorted(
        view.evidence.findings, key=lambda f: (SEVERITIES.index(f.severity), f.t_ns, f.summary)
    )
    for finding in order:
        at = since_start(finding.t_ns - view.start_ns)
        yield PalettePlace(
            _title(f"{finding.severity}:", finding.summary),
            f"go to {at}",
            finding.t_ns,
            view.event_of(finding),
            is_finding=True,
        )


def _marks(view: RunView, marks: Sequence[Mark]) -> Iterator[PalettePlace]:
    for number, mark in enumerate(sorted(marks, key=lambda mark: mark.t_ns), 1):
        at = since_start(mark.t_ns - view.start_ns)
        yield PalettePlace(_title(f"mark {number}:", mark.note or at), f"go to {at}", mark.t_ns)


def _parties(view: RunView) -> Iterator[PalettePlace]:
    """Of each party its first event, its first problem and its last event."""
    events = view.events
    for column, party in enumerate(view.parties.every):
        own = np.flatnonzero(events.party == column)
        if not len(own):
            continue
        state = events.state[own]
        bad = own[(state == BAD) | (state == ODD)]
        for words, k in (
            ("first event", own[0]),
            *((("first problem", bad[0]),) if len(bad) else ()),
            ("last event", own[-1]),
        ):
            t_ns = int(events.t_ns[k])
            at = since_start(t_ns - view.start_ns)
            yield PalettePlace(_title(f"{party.name}:", words), f"go to {at}", t_ns, int(k))


class PlacesProvider(Provider):
    """Offers the places of the run that is open. The app is the `PaletteHost`."""

    async def startup(self) -> None:
        """Look the places up once, when the palette opens."""
        host = self._host
        screens = [name for name in host.MODES if name not in AROUND]
        self._places = palette_places(host.view, host.kept.marks, screens)

    @property
    def _host(self) -> PaletteHost:
        return cast("PaletteHost", self.app)

    async def discover(self) -> Hits:
        """What is offered before anything is typed: the gravest findings, marks and the rest."""
        findings = [place for place in self._places if place.is_finding]
        left_out = set(findings[MOST_DISCOVERED:])
        for place in self._places:
            if place in left_out:
                continue
            yield DiscoveryHit(
                Content(place.title), partial(self.go, place), place.title, place.help
            )

    async def search(self, query: str) -> Hits:
        """What fits what was typed."""
        matcher = self.matcher(query)
        for place in self._places:
            # The matcher's own highlighting would read markup in the title.
            score, places = matcher.fuzzy_search.match(query, place.title)
            if score > 0:
                shown = Content(place.title)
                for at in places:
                    shown = shown.stylize(matcher.match_style, at, at + 1)
                yield Hit(score, shown, partial(self.go, place), place.title, place.help)

    async def go(self, place: PalettePlace) -> None:
        """Go there."""
        if place.screen is not None:
            await self._host.action_switch_to(place.screen)
        elif place.t_ns is not None:
            self._host.post_message(GoTo(place.t_ns, place.event))
