"""How often something was seen, in words."""

from __future__ import annotations


def times(n: int) -> str:
    """`once`, `twice`, `3 times`, `2,047 times`."""
    return {1: "once", 2: "twice"}.get(n, f"{n:,} times")
