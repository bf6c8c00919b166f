"""What to open: paths, and what was said beside them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

STDIN = "-"


@dataclass(frozen=True, slots=True)
class Request:
    """What the user asks to be opened."""

    paths: tuple[str, ...]
    overrides: Mapping[str, Any] = field(default_factory=dict)  # the fields of `Overrides`
    is_demo: bool = False

    @property
    def words(self) -> str:
        """What it is called before its name is known; from outside, not cleaned."""
        if self.is_demo:
            return "the demo"
        first = "standard input" if self.paths[0] == STDIN else Path(self.paths[0]).name
        return first if len(self.paths) == 1 else f"{first} and {len(self.paths) - 1} more"

    @property
    def can_be_reopened(self) -> bool:
        """Whether it makes sense to offer it again; what was piped in is gone."""
        return not self.is_demo and STDIN not in self.paths


def demo_request() -> Request:
    """The demo run that came with the program."""
    import captures_demo

    folder = Path(captures_demo.__file__).parent
    return Request((str(folder / "cap_line" / "bench.toml"),), is_demo=True)
