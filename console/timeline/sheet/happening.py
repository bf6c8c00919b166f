"""The sheet of what happened to a recorded source itself: it came, it went, it lost something."""

from __future__ import annotations

import polars as pl

from console.timeline.sheet.lines import Body, Field, Line, Words, clipped
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.tree import MOST_VALUE
from console.timeline.words import event_words
from decoders.durations import in_words

_UNSEEN = "Until it is opened again nothing of it is observed: that nothing came proves nothing."
_LOST = "What came just before is not all there: that something did not come proves nothing."


def happening_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a happening, row `at` of its table."""
    happenings, t_ns = run.tables["happenings"], int(row["t_ns"])
    lines: list[Line] = [Field("source", clipped(str(row["source"]), MOST_VALUE))]
    if row["detail"]:
        lines.append(Words(clipped(str(row["detail"]))))
    own = happenings.with_row_index("row").filter(pl.col("source") == row["source"])
    same = own.filter((pl.col("what") == row["what"]) & (pl.col("row") < at))
    if same.height:
        lines.append(Field("the last one", ago(t_ns, int(same["t_ns"][-1]))))
    lines.append(Field("of these so far", f"{same.height + 1:,}"))
    if row["what"] == "lost":
        lines.append(Words(_LOST))
    if row["what"] in ("closed", "refused"):
        lines.append(Words(_UNSEEN))
        again = own.filter((pl.col("what") == "opened") & (pl.col("row") > at))
        after = in_words(int(again["t_ns"][0]) - t_ns) if again.height else "not in this run"
        lines.append(Field("opened again", f"after {after}" if again.height else after))
    title = clipped(event_words("happenings", dict(row)), MOST_VALUE)
    return Body(title, tuple(lines), source=str(row["source"]))
