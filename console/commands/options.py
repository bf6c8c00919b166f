"""The options that every command over recordings takes."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TypeVar

import click

Decorated = TypeVar("Decorated", bound=Callable[..., object])


def _within(lowest: float, highest: float, unit: str) -> Callable[..., float | None]:
    """A callback that refuses what no instrument does; not-a-number is refused too."""

    def check(ctx: click.Context, param: click.Parameter, number: float | None) -> float | None:
        if number is None or lowest <= number <= highest:
            return number
        limits = f"{lowest:g} to {highest:g} {unit}"
        raise click.BadParameter(f"{number} is not within {limits}.", ctx, param)

    return check


_PATHS = click.argument("paths", nargs=-1, required=True, metavar="PATH...")
_OPTIONS = (
    click.option(
        "--i2c",
        multiple=True,
        metavar="scl=NAME,sda=NAME",
        help="Which lines make an I2C bus; once for each bus.",
    ),
    click.option(
        "--spi",
        multiple=True,
        metavar="sck=NAME,mosi=NAME,miso=NAME,cs=NAME",
        help="Which lines make an SPI bus; once for each bus, cs once for each device.",
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
        type=float,
        callback=_within(-1_000, 1_000, "volts"),
        metavar="VOLTS",
        help="Low below, high from here on.",
    ),
    click.option(
        "--rate",
        type=float,
        callback=_within(1e-6, 1e12, "Hz"),
        metavar="HZ",
        help="Sample rate, where a file leaves it out.",
    ),
    click.option("--quiet", is_flag=True, help="No progress and no remarks on stderr."),
    click.option("--debug", is_flag=True, help="Show the traceback of an error."),
)


def run_options(function: Decorated) -> Decorated:
    """Give a command the paths and the overrides for loose files."""
    return _PATHS(override_options(function))


def override_options(function: Decorated) -> Decorated:
    """Give a command the overrides for loose files."""
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
