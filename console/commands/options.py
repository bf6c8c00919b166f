"""The options that every command over recordings takes."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TypeVar

import click

Decorated = TypeVar("Decorated", bound=Callable[..., object])


class Within(click.ParamType):
    """A number between two limits that no instrument leaves; not-a-number is none."""

    name = "number"

    def __init__(self, lowest: float, highest: float, unit: str) -> None:
        self._lowest, self._highest, self._unit = lowest, highest, unit

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number, or an error that states the limits."""
        try:
            number = float(str(value))
        except ValueError:
            number = float("nan")
        if not self._lowest <= number <= self._highest:
            limits = f"{self._lowest:g} to {self._highest:g} {self._unit}"
            self.fail(f"{value!r} is no number of {limits}.", param, ctx)
        return number


_OPTIONS = (
    click.argument("paths", nargs=-1, required=True, metavar="PATH..."),
    click.option(
        "--i2c",
        multiple=True,
        metavar="scl=NAME,sda=NAME",
        help="Which lines make an I2C bus; once for each bus.",
    ),
    click.option(
        "--clock",
        multiple=True,
        metavar="SOURCE=+12.5s",
        help="Add this to a source's times to get to the common axis.",
    ),
    click.option("--packets", metavar="FILE", help="Packet descriptions (TOML)."),
    click.option("--rules", metavar="FILE", help="Rules (TOML), instead of the default ones."),
    click.option(
        "--threshold",
        type=Within(-1_000, 1_000, "volts"),
        metavar="VOLTS",
        help="Low below, high from here on.",
    ),
    click.option(
        "--rate",
        type=Within(1e-6, 1e12, "Hz"),
        metavar="HZ",
        help="Sample rate, where a file leaves it out.",
    ),
    click.option("--quiet", is_flag=True, help="No progress and no remarks on stderr."),
    click.option("--debug", is_flag=True, help="Show the traceback of an error."),
)


def run_options(function: Decorated) -> Decorated:
    """Give a command the paths and the overrides for loose files."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def wants_colour() -> bool:
    """Colour only on a terminal that shows it and a user who did not refuse it (NO_COLOR)."""
    if os.environ.get("NO_COLOR"):
        return False
    if os.environ.get("FORCE_COLOR"):
        return True
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
