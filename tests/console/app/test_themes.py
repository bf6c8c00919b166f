"""Our colours: readable on their grounds, and apart."""

from __future__ import annotations

from itertools import combinations
from math import dist

import pytest
from rich.color import Color as RichColor
from rich.color import ColorSystem
from textual.color import Color
from textual.theme import Theme

from console.app.themes import CELLAR, ORCHARD, PARTIES, THEMES, variables

GROUNDS = {theme.name: [theme.background, theme.surface, theme.panel] for theme in THEMES}


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, "relative luminance")."""
    channels = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
                for c in Color.parse(colour).normalized]  # fmt: skip
    return 0.2126 * channels[0] + 0.7152 * channels[1] + 0.0722 * channels[2]


def contrast(a: str, b: str) -> float:
    """Contrast ratio (WCAG 2.2, "contrast ratio")."""
    dark, light = sorted((luminance(a), luminance(b)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_text_and_signs_have_the_contrast_of_text(theme: Theme) -> None:
    own = variables(dark=theme.dark)
    names = ("sign-bad", "sign-warning", "sign-good", "lit", "quiet")
    read = [str(theme.foreground), *(own[name] for name in names)]
    # WCAG 2.2, 1.4.3: 4.5 for text.
    low = [(c, g) for c in read for g in GROUNDS[theme.name] if g and contrast(c, g) < 4.5]
    assert low == []


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_what_is_a_partys_has_the_contrast_of_graphics(theme: Theme) -> None:
    own = variables(dark=theme.dark)
    drawn = [own[f"party-{k + 1}"] for k in range(PARTIES)]
    # WCAG 2.2, 1.4.11: 3 for what is drawn.
    low = [(c, g) for c in drawn for g in GROUNDS[theme.name] if g and contrast(c, g) < 3]
    assert low == []


@pytest.mark.parametrize("dark", [True, False])
def test_parties_have_colours_of_their_own(dark: bool) -> None:
    own = [variables(dark=dark)[f"party-{k + 1}"] for k in range(PARTIES)]
    alike = [(a, b) for a, b in combinations(own, 2) if distance(a, b) < 20]
    assert alike == []


def distance(a: str, b: str) -> float:
    """Between two colours, in steps of their channels."""
    one, other = Color.parse(a), Color.parse(b)
    return dist(one.rgb, other.rgb)


def test_the_chosen_row_is_seen_on_the_ground_and_its_text_on_it() -> None:
    for theme in (CELLAR, ORCHARD):
        here = variables(dark=theme.dark)["here"]
        assert contrast(here, str(theme.background)) > 1.2
        assert contrast(str(theme.foreground), here) > 4.5


def test_dark_and_light_have_the_same_variables() -> None:
    assert variables(dark=True).keys() == variables(dark=False).keys()


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_on_sixteen_colours_nothing_has_the_colour_of_its_ground(theme: Theme) -> None:
    own = variables(dark=theme.dark)
    grounds = {sixteen(str(ground)) for ground in [*GROUNDS[theme.name], own["here"]] if ground}
    names = [name for name in own if name != "here"]
    drawn = {name: sixteen(own[name]) for name in names}
    drawn |= {name: sixteen(str(getattr(theme, name))) for name in ("foreground", "primary")}
    drawn |= {name: sixteen(str(getattr(theme, name))) for name in ("secondary", "accent")}
    assert {name for name, number in drawn.items() if number in grounds} == set()


def sixteen(colour: str) -> int | None:
    """The number of a colour in a terminal of sixteen."""
    return RichColor.parse(colour).downgrade(ColorSystem.STANDARD).number
