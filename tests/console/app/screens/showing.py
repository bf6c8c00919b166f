"""Runs for the screens, and an app that shows one."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from functools import cache, wraps
from pathlib import Path
from typing import Any, ParamSpec

from textual.pilot import Pilot

import captures_demo
from console.app.app import LastackApp
from console.app.run_view import RunView, view_of
from console.bench.model import Bench
from console.pipeline.inputs import Overrides, settled
from console.pipeline.reading import Reading, read_all
from console.pipeline.settling import evidence_of
from console.pipeline.tables import empty_tables
from console.timeline.clocks import clocks_frame
from console.trust.sheet import trust_frame
from console.watch.findings import Finding, findings_frame

P = ParamSpec("P")

HOSTILE = "[red]\x1b[31mred\x00\u202emirror[/x] cap 瓶 e\u0301"
BENCH = Path(captures_demo.__file__).parent / "cap_line" / "bench.toml"


def played(test: Callable[P, Coroutine[Any, Any, None]]) -> Callable[P, None]:
    """A test that plays on an app, run to its end."""

    @wraps(test)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        asyncio.run(test(*args, **kwargs))

    return run


@cache
def demo_reading() -> Reading:
    """The demo, read."""
    return read_all(settled([str(BENCH)], Overrides()))


@cache
def demo_view() -> RunView:
    """The demo as the screens see it."""
    reading = demo_reading()
    return view_of(evidence_of(reading), reading.inputs.bench, reading.inputs.file)


def with_findings(findings: Sequence[Finding]) -> RunView:
    """The demo, in which something else was found."""
    view = demo_view()
    return replace(view, evidence=replace(view.evidence, findings=findings))


@cache
def empty_view() -> RunView:
    """A run in which there is nothing at all."""
    tables = empty_tables() | {
        "findings": findings_frame([]),
        "trust": trust_frame([]),
        "clocks": clocks_frame([]),
    }
    evidence = replace(
        demo_view().evidence,
        name="nothing",
        sources=[],
        clocks={},
        anchors={},
        tables=tables,
        findings=[],
        start_ns=0,
        end_ns=0,
    )
    return view_of(evidence, Bench(), None)


def screen_lines(app: LastackApp) -> list[str]:
    """What stands on the screen, line by line."""
    strips = app.screen._compositor.render_strips()
    return [strip.text.rstrip() for strip in strips]


def screen_text(app: LastackApp) -> str:
    """What stands on the screen."""
    return "\n".join(screen_lines(app))


@asynccontextmanager
async def showing(
    screen: str,
    view: RunView | None,
    size: tuple[int, int] = (140, 45),
    *,
    ascii_only: bool = False,
) -> AsyncIterator[tuple[LastackApp, Pilot[int]]]:
    """The app with a view on one of its screens."""
    app = LastackApp(ascii_only=ascii_only)
    async with app.run_test(size=size) as pilot:
        app.view = view
        await pilot.pause()
        await app.action_switch_to(screen)
        await pilot.pause()
        await pilot.pause()
        yield app, pilot
