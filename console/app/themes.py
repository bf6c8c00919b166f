"""Our own themes, and the colours of parties and states under every theme.

Party colours are the "muted" scheme of Paul Tol's note "Colour Schemes" (SRON/EPS/TN/09-002), which
stays apart under the common colour-vision deficiencies; on light grounds its darker members are
used, lightened ones on dark grounds.
"""

from __future__ import annotations

from textual.theme import Theme

PARTIES = 8  # colours; more parties use them again

_ON_DARK = ("#88ccee", "#ddcc77", "#44bb99", "#cc99cc", "#ee8866", "#bbcc33", "#99ddff", "#ffaabb")
_ON_LIGHT = ("#225588", "#776600", "#116655", "#883377", "#993311", "#556600", "#114477", "#993355")

CELLAR = Theme(
    name="cellar",
    primary="#d9a441",
    secondary="#8fae5d",
    accent="#e0b968",
    foreground="#ddd8cc",
    background="#14130f",
    surface="#1b1a15",
    panel="#26241d",
    success="#8fae5d",
    warning="#e3b341",
    error="#ff6b5e",
    dark=True,
)
ORCHARD = Theme(
    name="orchard",
    primary="#7a4b00",
    secondary="#3d6b1f",
    accent="#8a5a00",
    foreground="#26231c",
    background="#f7f3e8",
    surface="#f1ecdd",
    panel="#e4dcc6",
    success="#3d6b1f",
    warning="#8a5a00",
    error="#b3261e",
    dark=False,
)
THEMES = (CELLAR, ORCHARD)


def variables(*, dark: bool) -> dict[str, str]:
    """Theme variables of our own: parties, states, what is quiet and what is lit."""
    colours = _ON_DARK if dark else _ON_LIGHT
    own = {f"party-{k + 1}": colour for k, colour in enumerate(colours)}
    if dark:
        states = ("#ff6b5e", "#e3b341", "#8fae5d", "#938c7b", "#fff3d0", "#33301f")
    else:
        states = ("#b3261e", "#7f5200", "#3d6b1f", "#665f51", "#000000", "#e6d9ae")
    names = ("sign-bad", "sign-warning", "sign-good", "quiet", "lit", "here")
    return own | dict(zip(names, states, strict=True))
