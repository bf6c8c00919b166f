"""How likely a cause is, for people."""

from __future__ import annotations


def share(probability: float) -> str:
    """A probability: never 0 or 100 %, and no finer than the weights it comes from."""
    if probability > 0.95:
        return "over 95 %"
    return "under 1 %" if probability < 0.01 else f"{probability * 100:.0f} %"
