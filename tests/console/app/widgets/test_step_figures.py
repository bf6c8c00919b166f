from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from console.app.signs import signs_for
from console.app.widgets.step_figures import StepFigures
from console.timeline.numbers.step_response import StepResponse
from tests.console.app.widgets.plots import OneWidget, S, pressed

SETTLED = StepResponse(
    at_ns=2 * S,
    until_ns=10 * S,
    from_value=0.4,
    target=1500.0,
    final_value=1499.6,
    rise_ns=59_700_000,
    settling_ns=214_000_000,
    overshoot_percent=3.24,
    peak_ns=100_000_000,
    steady_error=0.4,
    sampled_ns=20_000_000,
    band_ns=0,
    settled_share=0.02,
    remarks=(),
)
SWINGS = replace(
    SETTLED,
    at_ns=10 * S,
    until_ns=20 * S,
    settling_ns=None,
    steady_error=None,
    final_value=None,
    band_ns=4_000_000,
    remarks=("not settled: it still swings; figures are against the set point",),
)


class FiguresApp(OneWidget):
    def __init__(self, figures: StepFigures) -> None:
        super().__init__(figures)
        self.figures = figures

    def on_step_figures_step_chosen(self, event: StepFigures.StepChosen) -> None:
        self.told.append(event.step.at_ns)


def lines(
    steps: tuple[StepResponse, ...], *keys: str, width: int = 120
) -> tuple[list[str], FiguresApp]:
    figures = StepFigures(signs_for(ascii_only=True), ascii_only=True)
    app = FiguresApp(figures)

    async def run() -> list[str]:
        async with app.run_test(size=(width, 12)) as pilot:
            figures.fill(steps, "rpm", "by its name")
            await pilot.pause()
            await pressed(pilot, *keys)
            return app.lines()

    return asyncio.run(run()), app


def test_a_step_is_told_in_one_row() -> None:
    shown, _ = lines((SETTLED,))
    assert " ".join(shown[0].split()) == "set at set point rise settles 2% overshoot error"
    assert " ".join(shown[1].split()) == ("00:02.000 0.4 > 1500 rpm 59.7 ms 214 ms 3.2 % +0.4 rpm")


def test_what_could_not_be_told_is_said_with_the_reason() -> None:
    shown, app = lines((SWINGS,))
    assert "not settled" in shown[1]
    assert app.figures.note == (
        "not settled: it still swings; figures are against the set point; "
        "times known to +-4 ms; by its name"
    )


def test_a_settling_time_that_cannot_be_told_is_a_dash() -> None:
    noisy = replace(SWINGS, remarks=("settling cannot be told: noise is wider than the 2% band",))
    shown, _ = lines((noisy,), width=80)
    assert "not settled" not in shown[1]
    assert shown[1].split()[-4:] == ["-", "3.2", "%", "-"]


def test_without_steps_it_says_so() -> None:
    shown, _ = lines(())
    assert "never changed" in shown[1]


def test_a_chosen_step_is_told() -> None:
    _, app = lines((SETTLED, SWINGS), "down", "enter")
    assert app.told == [10 * S]


@pytest.mark.parametrize(
    ("t_ns", "cursor"), [(0, 0), (2 * S, 0), (9 * S, 0), (10 * S, 1), (99 * S, 1)]
)
def test_a_place_puts_the_cursor_on_its_step(t_ns: int, cursor: int) -> None:
    figures = StepFigures(signs_for(ascii_only=True))
    app = FiguresApp(figures)

    async def run() -> None:
        async with app.run_test() as pilot:
            figures.fill((SETTLED, SWINGS), "rpm", "")
            figures.go_to(t_ns)
            await pilot.pause()

    asyncio.run(run())
    assert figures.cursor == cursor
