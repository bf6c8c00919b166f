"""What went wrong, where, and how to mend it: stays until the user takes it away."""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content
from textual.reactive import reactive
from textual.widgets import Static

from console.app.signs import Signs
from console.printable import printable_block

MOST_CHARACTERS = 1_500  # of one error; a screen holds no more


class TroublePanel(Static):
    """Errors as they are told on a command line: place, what, how to mend it."""

    DEFAULT_CSS = """
    TroublePanel {
        height: auto; max-height: 9; padding: 0 1; display: none; overflow-y: auto;
        background: $panel; color: $foreground;
    }
    """

    troubles: reactive[tuple[str, ...]] = reactive(())

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id, markup=False)
        self._signs = signs

    def watch_troubles(self, troubles: tuple[str, ...]) -> None:
        """Show them, or nothing."""
        self.display = bool(troubles)
        self.update(trouble_words(troubles, self._signs))


def trouble_words(troubles: Sequence[str], signs: Signs) -> Content:
    """The first line of each is what is wrong; what follows is quiet."""
    parts: list[tuple[str, str]] = []
    for k, trouble in enumerate(troubles):
        first, _, mend = printable_block(trouble[:MOST_CHARACTERS]).partition("\n")
        parts += [(f"{signs.bad} ", "$sign-bad"), (first, "$lit")]
        if k == len(troubles) - 1:
            parts += [("  x", "$accent bold"), (" close", "$quiet")]
        if mend:
            parts.append((f"\n  {mend}", "$quiet"))
        parts.append(("\n", ""))
    return Content.assemble(*parts[:-1])
