"""One line that says how far the reading is; on every screen, and only while there is news."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widget import Widget

from console.app.loading import Progress
from console.app.signs import Signs
from console.printable import printable

BAR_CELLS = 16


class ProgressLine(Widget):
    """How far the reading is, and the key that stops it; afterwards, where it was stopped."""

    DEFAULT_CSS = """
    ProgressLine {
        height: 1; padding: 0 1; display: none;
        background: $panel; color: $foreground;
    }
    """

    progress: reactive[Progress | None] = reactive(None)

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._signs = signs

    def watch_progress(self, progress: Progress | None) -> None:
        """Take the line away when there is nothing to say."""
        self.display = progress is not None

    def render(self) -> Content:
        """Draw it."""
        return line_of(self.progress, self._signs) if self.progress else Content("")


def line_of(progress: Progress, signs: Signs) -> Content:
    """The words of the line."""
    if progress.stopped_at:
        return Content.assemble(
            (f"{signs.odd} reading was stopped", "$sign-warning"),
            f" in {printable(progress.stopped_at)}: this is not the whole run",
            _key("close"),
        )
    if not progress.source:
        return Content.assemble(("opening", "$quiet"), _key("stop"))
    if progress.finished == progress.sources:
        return Content.assemble(("putting the sources on one axis, watching", "$quiet"))
    parts: list[str | tuple[str, str]] = [("reading ", "$quiet"), printable(progress.source), "  "]
    if progress.share is not None:
        filled = round(BAR_CELLS * progress.share)
        parts += [
            (signs.observed * filled, "$primary"),
            (signs.run * (BAR_CELLS - filled), "$quiet"),
            f" {100 * progress.share:3.0f} %",
        ]
    else:
        parts.append(f"{progress.done / 1e6:.1f} MB")
    if progress.sources > 1:
        parts.append((f"  {progress.finished} of {progress.sources} read", "$quiet"))
    return Content.assemble(*parts, _key("stop"))


def _key(does: str) -> Content:
    return Content.assemble(("  x", "$accent bold"), (f" {does}", "$quiet"))
