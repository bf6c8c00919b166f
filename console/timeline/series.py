"""Numbers that recur in a source's events: what equal values are looked for in.

A counter that the wire carries, the firmware prints and a message repeats ties three clocks
together. A series is one such number: where it stands (a field path, or its place in a printed
sentence), when it was seen, and its values.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

LEAST_EVENTS = 3  # a number seen less often ties nothing
MOST_NUMBERS = 12  # numbers looked at in one printed sentence; the rest are hardly counters

TASTED = 16  # events of a kind looked at to learn which numbers it has

_NUMBER = r"-?\d+(?:\.\d+)?"
_PLAIN = re.compile(r"[\w .:-]+")


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One recurring number of one source; n events in order of the source."""

    source: str
    name: str  # "poll": the field's last name, or the word before the number
    native_ns: npt.NDArray[np.int64]  # [n] on the source's own clock
    epoch: npt.NDArray[np.int64]  # [n] which undisturbed stretch of that clock
    values: npt.NDArray[np.float64]  # [n]


def print_series(
    source: str,
    native_ns: npt.NDArray[np.int64],
    epoch: npt.NDArray[np.int64],
    texts: pl.Series,
) -> list[Series]:
    """The numbers in printed lines, by the sentence around them.

    Args:
        source: name of the source.
        native_ns: int64[n] time of each line.
        epoch: int64[n] stretch of the clock each line belongs to.
        texts: String[n] the lines.
    """
    frame = pl.DataFrame({"native_ns": native_ns, "epoch": epoch, "text": texts}).with_columns(
        sentence=pl.col("text").str.replace_all(_NUMBER, "#")
    )
    found = []
    for (sentence,), lines in frame.group_by("sentence", maintain_order=True):
        words = _words_before(str(sentence))
        if len(lines) < LEAST_EVENTS or not words:
            continue
        numbers = lines["text"].str.extract_all(_NUMBER)
        for k, word in enumerate(words[:MOST_NUMBERS]):
            values = numbers.list.get(k, null_on_oob=True).cast(pl.Float64, strict=False)
            found.append(
                Series(
                    source,
                    word,
                    lines["native_ns"].to_numpy(),
                    lines["epoch"].to_numpy(),
                    values.fill_null(float("nan")).to_numpy(),
                )
            )
    return found


def _words_before(sentence: str) -> list[str]:
    """The word that stands before each number of a sentence; `""` where none does."""
    parts = sentence.split("#")[:-1]
    return [(re.findall(r"[^\W\d_]\w*", part) or [""])[-1] for part in parts]


def json_series(
    source: str,
    native_ns: npt.NDArray[np.int64],
    kinds: pl.Series,
    fields: pl.Series,
) -> list[Series]:
    """The numbers in JSON fields, by the kind of event (topic, packet) and their path.

    Args:
        source: name of the source.
        native_ns: int64[n] time of each event.
        kinds: String[n] which kind each is.
        fields: String[n] JSON text, null where there is none.
    """
    frame = pl.DataFrame({"native_ns": native_ns, "kind": kinds, "fields": fields})
    found = []
    for _, events in frame.drop_nulls("fields").group_by("kind", maintain_order=True):
        if len(events) < LEAST_EVENTS:
            continue
        paths = dict.fromkeys(p for text in events["fields"][:TASTED] for p in number_paths(text))
        times = events["native_ns"].to_numpy()
        for path in list(paths)[:MOST_NUMBERS]:
            at = "$" + "".join(f"[{p}]" if isinstance(p, int) else f"['{p}']" for p in path)
            values = events["fields"].str.json_path_match(at).cast(pl.Float64, strict=False)
            name = next((p for p in reversed(path) if isinstance(p, str)), "")
            epoch = np.zeros(len(times), np.int64)
            filled = values.fill_null(float("nan")).to_numpy()
            found.append(Series(source, name, times, epoch, filled))
    return found


def number_paths(text: str) -> list[tuple[str | int, ...]]:
    """Paths of the numbers in a JSON text; names that no simple JSON path can say are left out."""
    found: list[tuple[str | int, ...]] = []
    todo: list[tuple[tuple[str | int, ...], object]] = [((), json.loads(text))]
    while todo:
        path, value = todo.pop()
        if isinstance(value, dict):
            inner = [(k, v) for k, v in value.items() if _PLAIN.fullmatch(k)]
            todo += [((*path, k), v) for k, v in reversed(inner)]
        elif isinstance(value, list):
            todo += [((*path, k), v) for k, v in reversed(list(enumerate(value)))]
        elif isinstance(value, int | float) and not isinstance(value, bool):
            found.append(path)
    return found
