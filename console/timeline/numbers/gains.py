"""Gains of controllers as messages and prints set them, and which were in force at a moment.

A gain is known by its name: kp, ki and kd and their likes (a convention of the trade, no standard).
A value that is printed every cycle is in force from where it changes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from console.timeline.numbers.number_series import NumericField

Tables = Mapping[str, pl.DataFrame]

_NAME = r"(?:k[ _]?[pid]|[pid][ _]gain|gain[ _][pid]|gain|t[ _]?[iv])"
_JSON_HAS = rf'(?i)"{_NAME}"\s*:'
_TEXT_HAS = rf"(?i)\b{_NAME}\s*(?:=|:|\s)\s*[-+]?\d"
_NAMED = re.compile(rf"(?i){_NAME}")
_IN_TEXT = re.compile(rf"(?i)\b({_NAME})\s*(?:=|:|\s)\s*([-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?)")
MOST_ROWS = 20_000  # of each table that name a gain; of more, those spread over the run


@dataclass(frozen=True, slots=True)
class GainSet:
    """A gain took a value, other than it had before."""

    t_ns: int  # common axis
    name: str  # in small letters, without spaces and underscores: kp
    value: float
    table: str
    row: int
    subject: str  # topic, or the log that printed it; from outside, not cleaned


def gains_set(tables: Tables) -> list[GainSet]:
    """Every change of a gain, in time order.

    Args:
        tables: the tables of a run by name, on the common axis.
    """
    told = sorted(
        (*_in_messages(tables), *_in_prints(tables)), key=lambda gain: (gain.t_ns, gain.row)
    )
    found, last = [], dict[tuple[str, str], float]()
    for gain in told:
        key = gain.subject, gain.name
        if last.get(key) != gain.value:
            last[key] = gain.value
            found.append(gain)
    return found


def in_force(
    settings: Sequence[GainSet], t_ns: int, measured: NumericField | None = None
) -> list[GainSet]:
    """The gains in force at a moment, by name.

    Args:
        settings: as `gains_set` gives them.
        t_ns: common axis.
        measured: what is controlled: gains told beside it (its topic's parent, its log) stand for
            themselves when there are any; else all do.
    """
    own = [gain for gain in settings if measured is not None and _beside(gain, measured)]
    last: dict[tuple[str, str], GainSet] = {}
    for gain in own or settings:
        if gain.t_ns <= t_ns:
            last[gain.subject, gain.name] = gain
    return sorted(last.values(), key=lambda gain: (gain.subject, _order(gain.name)))


def gain_words(gains: Sequence[GainSet]) -> str:
    """As `kp 1.5, ki 0.6`; the subject with them where several set gains."""
    subjects = {gain.subject for gain in gains}
    return ", ".join(
        f"{gain.name} {gain.value:g}" + (f" ({gain.subject})" if len(subjects) > 1 else "")
        for gain in gains
    )


def _order(name: str) -> tuple[int, str]:
    """P before I before D."""
    return next((k for k, letter in enumerate("pid") if letter in name), 3), name


def _beside(gain: GainSet, measured: NumericField) -> bool:
    if measured.table != gain.table:
        return False
    if gain.table == "prints":
        return gain.subject == measured.party
    parent = measured.subject.rpartition("/")[0]
    return parent != "" and gain.subject.rpartition("/")[0] == parent


def _rows(frame: pl.DataFrame, column: str, has: str, *more: str) -> pl.DataFrame:
    wanted = pl.col(column).str.contains(has) & pl.col("t_ns").is_not_null()
    rows = frame.lazy().with_row_index("row").filter(wanted).select("t_ns", "row", column, *more)
    found = rows.collect()
    return found.gather_every(-(-found.height // MOST_ROWS)) if found.height else found


def _in_messages(tables: Tables) -> Iterator[GainSet]:
    if "messages" not in tables:
        return
    for t_ns, row, text, topic in _rows(
        tables["messages"], "fields", _JSON_HAS, "topic"
    ).iter_rows():
        for name, value in _named(json.loads(text)):
            yield GainSet(t_ns, _plain(name), value, "messages", row, topic)


def _in_prints(tables: Tables) -> Iterator[GainSet]:
    if "prints" not in tables:
        return
    for t_ns, row, text, source in _rows(tables["prints"], "text", _TEXT_HAS, "source").iter_rows():
        for name, value in _IN_TEXT.findall(text):
            yield GainSet(t_ns, _plain(name), float(value), "prints", row, source)


def _named(value: Any) -> Iterator[tuple[str, float]]:
    """The gains of a JSON value, however deep."""
    if isinstance(value, dict):
        for name, inner in value.items():
            is_number = isinstance(inner, int | float) and not isinstance(inner, bool)
            if is_number and _NAMED.fullmatch(name):
                yield name, float(inner)
            else:
                yield from _named(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _named(inner)


def _plain(name: str) -> str:
    return name.lower().replace("_", "").replace(" ", "")
