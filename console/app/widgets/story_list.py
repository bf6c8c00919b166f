"""The story of one episode as a list; each line leads to its evidence."""

from __future__ import annotations

from textual.message import Message

from console.app.signs import Signs
from console.app.story_rows import INDENT, StoryRow, story_rows
from console.app.timeline.pieces import Row, cut, filled
from console.app.widgets.list_rows import ListRows
from console.diagnosis.story import Outcome, Place, Story, Tone
from console.timeline.times import since_start
from decoders.durations import UNITS_NS

TONES: dict[Tone, str] = {
    "plain": "text",
    "bad": "bad",
    "good": "good",
    "doubt": "warning",
    "quiet": "quiet",
}
TIMES_FROM = 100  # cells from which the moments of the evidence stand beside the sentences
TIME = 14


class StoryList(ListRows):
    """Parts under their titles. Enter goes to the evidence, or opens and closes a part."""

    class CameOut(Message):
        """The user says what came of an experiment, or takes that back."""

        def __init__(self, outcome: Outcome) -> None:
            super().__init__()
            self.outcome = outcome

    DEFAULT_CSS = """
    StoryList { height: 1fr; }
    """

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.rows: list[StoryRow] = []
        self._signs = signs
        self._story: Story | None = None
        self._start_ns = 0
        self._which = ""
        self._opened: set[str] = set()

    def fill(self, story: Story, start_ns: int, which: str = "") -> None:
        """Show a story.

        Args:
            story: what is told.
            start_ns: of the run, from which moments are counted.
            which: of several, in words.
        """
        self._which = which
        is_other = self._story is None or self._story.episode != story.episode
        self._story, self._start_ns = story, start_ns
        self._lay_out(0 if is_other else None)

    def on_resize(self) -> None:
        """Wrap anew."""
        if self._story is not None:
            self._lay_out(None)
        super().on_resize()

    def _lay_out(self, cursor: int | None) -> None:
        if self._story is not None:
            room = self.line_width - (TIME if self.line_width >= TIMES_FROM else 0)
            self.rows = list(story_rows(self._story, self._opened, room, self._signs))
            self.renew(cursor)

    @property
    def row(self) -> StoryRow | None:
        """The row under the cursor."""
        return self.rows[self.cursor] if self.cursor < len(self.rows) else None

    @property
    def place(self) -> Place | None:
        """Where the line under the cursor leads."""
        row = self.row
        return None if row is None or row.line is None else row.line.place

    def action_choose(self) -> None:
        """Open or close a part, say what came of an experiment, or go where the line leads."""
        row = self.row
        if row is not None and row.part is not None and row.line is None:
            self._opened ^= {row.part.title}
            self._lay_out(None)
        elif row is not None and row.line is not None and row.line.outcome is not None:
            self.post_message(self.CameOut(row.line.outcome))
        elif self.place is not None:
            super().action_choose()

    def row_count(self) -> int:
        """How many rows there are."""
        return len(self.rows)

    def is_stop(self, row: int) -> bool:
        """Sentences, and parts that open."""
        return 0 <= row < len(self.rows) and self.rows[row].is_stop

    def head(self, width: int) -> Row:
        """The story in one sentence."""
        if self._story is None:
            return []
        which = f"{self._which}: " if self._which else ""
        words = which + self._signs.clean(self._story.head)
        return [(f" {cut(words, max(width - 2, 0), self._signs.ellipsis)}", "head")]

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a row."""
        shown = self.rows[row]
        if shown.part is None:
            return []
        if shown.line is None:
            return self._title(shown)
        style = TONES[shown.line.tone]
        time = self._time(shown) if width >= TIMES_FROM else ""
        room = max(width - INDENT - len(time), 0)
        leads = self._leads(shown)
        text = filled(shown.text, room, self._signs.ellipsis) if time else shown.text
        return [(f"  {leads} ", "quiet"), (text, style), (time, "quiet")]

    def _leads(self, shown: StoryRow) -> str:
        """What Enter does here: go to the evidence, or say that this came out."""
        if not shown.is_first or shown.line is None:
            return " "
        if shown.line.outcome is not None:
            return self._signs.absent if shown.line.tone == "quiet" else self._signs.done
        return " " if shown.line.place is None else self._signs.dot

    def _title(self, shown: StoryRow) -> Row:
        assert shown.part is not None
        if not shown.part.folded:
            return [(f" {shown.text}", "lit")]
        is_open = shown.part.title in self._opened
        sign = self._signs.unfolded if is_open else self._signs.folded
        return [(f" {shown.text} ", "lit"), (f"({len(shown.part.lines)}) {sign}", "quiet")]

    def _time(self, shown: StoryRow) -> str:
        """When the evidence was; nothing for rows that go on, or lead nowhere."""
        if not shown.is_first or shown.line is None or shown.line.place is None:
            return " " * TIME
        after_ns = shown.line.place.t_ns - self._start_ns
        return since_start(after_ns, UNITS_NS["ms"]).rjust(TIME - 1) + " "
