from __future__ import annotations

from console.app.app import LastackApp
from console.app.loading import Progress
from console.app.widgets.progress_line import ProgressLine
from console.app.widgets.status import Status
from console.app.widgets.trouble import TroublePanel
from tests.console.app.screens.showing import played


@played
async def test_it_is_there_only_while_there_is_something_to_say() -> None:
    app = LastackApp(starts=True)
    seen = []
    async with app.run_test() as pilot:
        status = app.screen.query_one(Status)
        for progress, troubles in ((None, ()), (Progress(), ()), (None, ("a",)), (None, ())):
            app.progress, app.troubles = progress, troubles
            await pilot.pause()
            line, panel = status.query_one(ProgressLine), status.query_one(TroublePanel)
            seen.append((status.display, line.display, panel.display))
    assert seen == [
        (False, False, False),
        (True, True, False),
        (True, False, True),
        (False, False, False),
    ]


@played
async def test_it_stands_on_whatever_screen_comes_next() -> None:
    app = LastackApp(starts=True)
    async with app.run_test() as pilot:
        app.troubles = ("a.csv: no such file",)
        await app.switch_mode("opening")
        await pilot.pause()
        assert app.screen.query_one(TroublePanel).display


@played
async def test_it_stands_above_the_footer() -> None:
    app = LastackApp(starts=True)
    async with app.run_test(size=(80, 24)) as pilot:
        app.progress = Progress()
        await pilot.pause()
        assert app.screen.query_one(ProgressLine).region.y == 22
        assert app.screen.query_one("Footer").region.y == 23
