from __future__ import annotations

import os
from pathlib import Path

from console.app.app import LastackApp
from console.app.state.request import Request
from tests.console.app.screens.showing import played, screen_text


@played
async def test_the_first_picture_says_what_is_opened_and_how_to_stop(tmp_path: Path) -> None:
    pipe = tmp_path / "[red]\x1b[31mboard.log"
    os.mkfifo(pipe)
    app = LastackApp(Request((str(pipe),)))
    async with app.run_test() as pilot:
        await pilot.pause()
        shown = screen_text(app)
        await pilot.press("q")
    assert "opening [red]␛[31mboard.log" in shown
    assert "x stop" in shown
