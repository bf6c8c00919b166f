"""Every screen on the demo looks as it did when somebody last looked at its picture.

`pytest tests/console/app/snapshots --snapshot-update` accepts what is drawn now: look at it first.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from syrupy.assertion import SnapshotAssertion

from tests.console.app.screens.showing import screen_text
from tests.console.app.snapshots.shots import SHOTS, Shot, app_for, staged

SIZES = [(80, 24), (140, 45)]
SIZE_NAMES = ["80x24", "140x45"]
PICTURES = Path(__file__).parent / "__snapshots__"


@pytest.mark.parametrize("size", SIZES, ids=SIZE_NAMES)
@pytest.mark.parametrize("shot", SHOTS, ids=lambda shot: shot.name)
def test_picture(shot: Shot, size: tuple[int, int], snap_compare: Callable[..., bool]) -> None:
    assert snap_compare(app_for(shot), terminal_size=size, run_before=staged(shot))


@pytest.mark.parametrize("size", SIZES, ids=SIZE_NAMES)
@pytest.mark.parametrize("shot", SHOTS, ids=lambda shot: shot.name)
def test_text_in_ascii_and_sixteen_colours(
    shot: Shot, size: tuple[int, int], snapshot: SnapshotAssertion
) -> None:
    async def shown() -> str:
        app = app_for(shot, ascii_only=True, theme="ansi-dark")
        async with app.run_test(size=size) as pilot:
            await staged(shot)(pilot)
            return screen_text(app)

    text = asyncio.run(shown())
    assert {c for c in text if not c.isascii()} == set()
    assert text == snapshot


def test_pictures_hold_no_path_of_a_machine_and_no_version() -> None:
    files = list(PICTURES.rglob("*.*"))
    texts = {path.name: path.read_text("utf-8") for path in files}
    wrong = re.compile(
        r"(?<![\w./])/(?:home|tmp|work|root|usr|Users)/|site-packages|\d+\.\d+\.\d+\b"
    )
    assert len(files) > len(SHOTS)
    assert {
        name for name, text in texts.items() if wrong.search(re.sub(r"https://\S+", "", text))
    } == set()
