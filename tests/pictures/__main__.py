"""The pictures of the README, drawn from the real demo.

    python -m tests.pictures

Needs the fonts of Debian's fonts-dejavu-core. Writes PNG files beside this one.
"""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import resvg_py

import captures_demo
from console.app.app import LastackApp
from console.app.run_view import RunView, view_of
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from tests.console.app.snapshots.shots import stillness

DEMO = Path(captures_demo.__file__).parent / "cap_line/bench.toml"
HERE = Path(__file__).parent
SIZE = (132, 38)
SHOWN = {  # file -> keys from the first screen
    "timeline.png": (),
    "bits.png": ("up", "up", "up", "enter"),
    "lockup.png": ("7",),
}
FONT = "DejaVu Sans Mono"


async def drawn(view: RunView, keys: tuple[str, ...]) -> str:
    """The screen after some keys, as SVG."""
    app = LastackApp()
    async with app.run_test(size=SIZE) as pilot:
        app.view = view
        await pilot.pause(0.3)
        for key in keys:
            await pilot.press(key)
        await stillness(pilot)
        return app.export_screenshot(title="lastack demo")


def png(svg: str) -> bytes:
    """An SVG of the screen as PNG, in a font that has every sign; nothing is fetched."""
    svg = re.sub(r"@font-face\s*{[^}]*}", "", svg)
    drawn = resvg_py.svg_to_bytes(
        svg_string=svg, monospace_family=FONT, sans_serif_family="DejaVu Sans", font_family=FONT
    )
    return bytes(drawn)


def main() -> None:
    """Draw them all."""
    inputs = settled([str(DEMO)], Overrides())
    view = view_of(gathered(inputs, keep_edges=True), inputs.bench, inputs.file)
    for name, keys in SHOWN.items():
        (HERE / name).write_bytes(png(asyncio.run(drawn(view, keys))))
        print(name)


if __name__ == "__main__":
    main()
