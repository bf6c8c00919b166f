"""The plot of residuals."""

from __future__ import annotations

from dataclasses import replace

from textual.app import App, ComposeResult

from console.app.anchors_shown import AnchorsShown
from console.app.signs import signs_for
from console.app.themes import variables
from console.app.widgets.residuals import LABELS, Plotted, Residuals
from console.timeline.alignment.anchors import Anchors, Reason
from console.timeline.clocks import ClockPiece
from tests.console.app.screens.showing import played
from tests.console.app.some_anchors import MS, S, anchors_of, piece_of

KEPT, OUTLIER = Reason.KEPT, Reason.OUTLIER


class Shown(App[None]):
    """One plot, 60 cells wide: 49 for the plot."""

    def __init__(self, anchors: Anchors, piece: ClockPiece, *, ascii_only: bool = True) -> None:
        super().__init__()
        self.plotted = Plotted(AnchorsShown.of(anchors, None, only_left_out=False), piece, 0)
        self.plot = Residuals(signs_for(ascii_only=ascii_only), ascii_only=ascii_only)
        self.picked: list[int] = []

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield self.plot

    def on_mount(self) -> None:
        self.plot.show(self.plotted)

    def on_residuals_picked(self, message: Residuals.Picked) -> None:
        self.picked.append(message.t_ns)


def lines(app: Shown) -> list[str]:
    return [strip.text.rstrip() for strip in app.screen._compositor.render_strips()]


def rows_with(app: Shown, sign: str) -> list[int]:
    return [k for k, line in enumerate(lines(app)) if sign in line[LABELS:]]


@played
async def test_the_band_lies_on_both_sides_of_nought_and_is_wider_at_the_ends() -> None:
    app = Shown(anchors_of([]), piece_of())
    async with app.run_test(size=(60, 16)):
        assert lines(app)[7].startswith("        0|-----")
        upper, lower = rows_with(app, "=")[0], rows_with(app, "=")[-1]
        assert (upper + lower) / 2 == 7
        ends, middle = lines(app)[upper][LABELS:], lines(app)[upper + 2][LABELS:]
        assert ends.startswith("=")
        assert ends.endswith("=")
        assert middle.strip("= ") == ""
        assert middle.startswith(" ")


@played
async def test_what_was_left_out_is_crossed_and_what_lies_beyond_is_told_at_the_edge() -> None:
    anchors = anchors_of([OUTLIER, KEPT, KEPT, KEPT], residuals_ns=[S, -MS, -MS, -MS])
    app = Shown(anchors, piece_of())
    async with app.run_test(size=(60, 16)):
        assert rows_with(app, "x") == [0]
        assert lines(app)[0].strip().startswith(">")
        assert "ms" in lines(app)[0]


@played
async def test_times_since_the_start_stand_under_it() -> None:
    app = Shown(anchors_of([KEPT]), piece_of())
    async with app.run_test(size=(60, 16)):
        assert lines(app)[15].split() == ["'00:00", "'00:02", "'00:04", "'00:06", "'00:08"]


@played
async def test_the_chosen_anchor_has_a_line_and_a_sign_of_its_own() -> None:
    app = Shown(anchors_of([KEPT] * 10), piece_of())
    async with app.run_test(size=(60, 16)) as pilot:
        app.plot.choose((5 * S, -MS))
        await pilot.pause()
        column = LABELS + 49 // 2
        assert [line[column] for line in lines(app)[:15]].count(":") > 10
        assert "o" in [line[column] for line in lines(app)[:15]]


@played
async def test_a_click_picks_a_moment_and_labels_pick_none() -> None:
    app = Shown(anchors_of([KEPT] * 10), piece_of())
    async with app.run_test(size=(60, 16)) as pilot:
        await pilot.click(Residuals, offset=(LABELS + 24, 3))
        await pilot.click(Residuals, offset=(3, 3))
        await pilot.pause()
        assert [round(t / S) for t in app.picked] == [5]


@played
async def test_it_is_drawn_anew_at_every_size() -> None:
    app = Shown(anchors_of([KEPT] * 10), piece_of(), ascii_only=False)
    async with app.run_test(size=(60, 16)) as pilot:
        for size in ((140, 45), (30, 6), (12, 3), (250, 70), (60, 16)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
            assert len(lines(app)) == size[1]
        assert rows_with(app, "┄")


@played
async def test_a_piece_on_no_axis_and_a_run_of_one_moment_are_drawn() -> None:
    lost = replace(piece_of(), until_ns=0, method="none", band_ns=None)
    app = Shown(anchors_of([OUTLIER]), lost)
    async with app.run_test(size=(60, 16)):
        assert rows_with(app, "x")
        assert not rows_with(app, "=")


@played
async def test_a_clock_that_drifts_has_its_band_where_the_source_ran() -> None:
    begin = 1_700_000_000 * S  # a clock that tells the date, off by 10 ppm
    piece = replace(
        piece_of(), offset_ns=-begin + 17_000 * S, drift_ppm=-10.0, centre_ns=begin + 5 * S
    )
    app = Shown(anchors_of([]), piece)
    async with app.run_test(size=(60, 16)):
        assert len(rows_with(app, "=")) >= 2
