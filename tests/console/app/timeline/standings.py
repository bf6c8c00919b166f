"""Someone who stands in a made-up run, on a screen of a known size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from console.app.run_view import RunView
from console.app.signs import UNICODE
from console.app.timeline.drawing import Drawing
from console.app.timeline.standing import Standing
from console.app.timeline.viewport import Line
from tests.console.app.timeline.views import PRINTED, demo_with_levels, made_view

S = 10**9
MINUTE = 60 * S
HEIGHT = 24  # rows of the screen, its head line among them


def standing_in(
    view: RunView,
    parties: Sequence[int] | None = None,
    keep: npt.NDArray[np.bool_] | None = None,
    size: tuple[int, int] = (80, HEIGHT),
) -> Standing:
    """Someone who stands at the beginning of a run, a third of the screen above."""
    standing = Standing()
    standing.fit(*size)
    standing.settle()
    show(standing, view, parties, keep)
    return standing


def in_minutes(view: RunView, keep: npt.NDArray[np.bool_] | None = None) -> Standing:
    """Someone who stands in buckets of a minute."""
    standing = standing_in(view, keep=keep)
    standing.look_at("minutes")
    standing.take_width(MINUTE)
    return standing


def show(
    standing: Standing,
    view: RunView,
    parties: Sequence[int] | None = None,
    keep: npt.NDArray[np.bool_] | None = None,
    place_ns: int | None = None,
) -> None:
    """Show a run, every column of it unless told otherwise."""
    columns = range(len(view.parties.every)) if parties is None else parties
    standing.show(Drawing(view, UNICODE, keep), columns, place_ns)


def prints_at(
    times_s: Sequence[int], parties: int = 1, levels: Mapping[int, str] | None = None
) -> RunView:
    """A run of prints at these seconds, from boards that take turns.

    Args:
        times_s: when each is printed.
        parties: how many boards there are.
        levels: of some prints, by their number; the others are of level info.
    """
    said = [
        PRINTED
        | {"t_ns": t * S, "source": f"board {k % parties:02}", "text": f"line {k}"}
        | {"level": (levels or {}).get(k, "info")}
        for k, t in enumerate(times_s)
    ]
    return made_view({"prints": said})


def over_bits(height: int = HEIGHT) -> Standing:
    """Someone who looks at the bits of a packet of the demo, with another such packet before."""
    view = demo_with_levels()
    finding = view.gravest()
    assert finding is not None
    standing = standing_in(view, size=(80, height))
    standing.go_to(finding.t_ns, view.event_of(finding) - 3, "bits")
    return standing


def row_of_chosen(standing: Standing) -> int:
    """The one row below the head line on which what is chosen stands."""
    (y,) = [y for y, line in enumerate(standing.lines()) if standing.is_chosen(line)]
    return y


def on(standing: Standing, kind: int) -> list[Line]:
    """The lines of a kind that are on the screen, from the top."""
    return [line for line in standing.lines() if line.kind == kind]
