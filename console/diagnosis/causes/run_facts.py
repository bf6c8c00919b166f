"""What tests ask of a whole run, the same for each of its scenes: prints, topics, links.

It is worked out once, and only when asked for.
"""

from __future__ import annotations

from functools import cached_property

import polars as pl

from console.bench.tables import TABLES
from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.links_life import LinkLife, link_life
from console.diagnosis.causes.once import Once
from console.diagnosis.causes.printed_numbers import Course, courses_of
from console.diagnosis.causes.steady import Ended, lasting_complaint, work_ended
from console.diagnosis.causes.topics import Topic, topics_of
from console.diagnosis.scene import Scene

_NO_PRINTS = pl.DataFrame(schema=dict(TABLES["prints"]))


class RunFacts(Once):
    """Facts of one run.

    Args:
        scene: any of the run; its episode is not looked at.
    """

    def __init__(self, scene: Scene) -> None:
        super().__init__()
        self.scene = scene

    # --- what was printed

    @cached_property
    def has_prints(self) -> bool:
        """Whether there is a log on the axis."""
        return bool(self.scene.of_kind("prints")) and self.scene.table("prints").height > 0

    def prints(self, from_ns: int, until_ns: int, *patterns: str) -> pl.DataFrame:
        """Prints of a span that match every pattern; of logs on the axis."""
        rows = self._on_axis(self.scene.window("prints", from_ns, until_ns))
        return words.matching(rows, *patterns)

    @cached_property
    def placed_prints(self) -> pl.DataFrame:
        """All prints of logs on the axis: their times may be set beside those of others."""
        return self._on_axis(self.scene.table("prints"))

    def _on_axis(self, rows: pl.DataFrame) -> pl.DataFrame:
        off = [source.name for source in self.scene.sources if source.off_axis]
        return rows.filter(~pl.col("source").is_in(off)) if off else rows

    @cached_property
    def restarts(self) -> pl.DataFrame:
        """Boots of firmware, as logs on the axis tell them."""
        return self._on_axis(words.restarts_of(self.scene))

    @cached_property
    def ended(self) -> Ended | None:
        """When a kind of print that had come regularly came for the last time, for good."""
        return work_ended(self.scene)

    @cached_property
    def complained_of(self) -> tuple[str, int | None]:
        """A party of which the log complains to its end, and from when on; "" and None."""
        return lasting_complaint(self.scene)

    @cached_property
    def courses(self) -> list[Course]:
        """Numbers that the firmware prints again and again."""
        return courses_of(self.scene)

    # --- the network

    @cached_property
    def has_messages(self) -> bool:
        """Whether messages were recorded."""
        return self.scene.table("messages").height > 0

    @cached_property
    def topics(self) -> list[Topic]:
        """The messages by topic."""
        return topics_of(self.scene)

    @cached_property
    def link(self) -> LinkLife:
        """When the board's link to its broker was lost and found."""
        return link_life(self.scene, self.scene.table("prints"))

    @cached_property
    def placed_link(self) -> LinkLife:
        """The same by logs on the axis and the broker's."""
        is_placed = not any(source.off_axis for source in self.scene.sources)
        return self.link if is_placed else link_life(self.scene, self.placed_prints)

    @property
    def ordered(self) -> bool:
        """Whether prints and messages lie on one axis, so that their order means something."""
        return bool(self.scene.of_kind("prints")) and bool(self.scene.of_kind("messages"))

    @cached_property
    def link_of_messages(self) -> LinkLife:
        """The same on the messages' clock: by logs on the axis, or by the broker's alone."""
        return self.placed_link if self.ordered else link_life(self.scene, _NO_PRINTS)
