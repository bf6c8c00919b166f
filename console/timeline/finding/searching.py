"""Text sought in all events of a run.

In prints, and where an event's words are the same whatever its row says, the text is sought as it
stands. A packet, a message or a transaction is put together from several columns, so there each
word of the text is sought in any of them: a packet's name, its problems, its fields as JSON and as
`name=value`; a message's topic, payload and fields; a transaction's direction, problems and bytes.

Bytes are sought as whole bytes in hexadecimal, `a55a`, `A5 5A` or `0xa55a`; where a packet stands
for the transactions it was decoded from, it is found by their bytes. A text without a
capital is found in either case. The length of a list (`2 blocks`) is in no column: not found.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.events import EVENT_TABLES, Events
from console.timeline.finding.carriers import NONE, carriers
from console.timeline.words import HAPPENING_WORDS, STATE_WORDS, problem_words

Bools = npt.NDArray[np.bool_]

_HEX = re.compile(r"(?:0x)?((?:[0-9a-f]{2})+)", re.IGNORECASE | re.ASCII)
_SHOWN = {"yes": "true", "no": "false", "-": "null"}  # how words say what JSON says otherwise


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in a table a text may stand."""

    whole: tuple[pl.Expr, ...] = ()  # texts in which it stands as it is
    texts: tuple[pl.Expr, ...] = ()  # texts in any of which each of its words may stand
    fields: bool = False  # words may stand in the JSON of `fields`
    bytes: tuple[str, ...] = ()  # columns of hexadecimal bytes in which they may stand
    problems: bool = False

    def columns(self, frame: pl.DataFrame) -> list[str]:
        """The columns of a table that are read."""
        read = {name for text in (*self.whole, *self.texts) for name in text.meta.root_names()}
        read |= {*self.bytes, *(["fields"] * self.fields), *(["problems"] * self.problems)}
        return [name for name in frame.columns if name in read]


def _either(column: str, yes: str, no: str) -> pl.Expr:
    return pl.when(pl.col(column)).then(pl.lit(yes)).otherwise(pl.lit(no))


_TURN = pl.when(pl.col("turn").is_in(["controller", "target"])).then(
    pl.concat_str(pl.lit(", "), pl.col("turn"), pl.lit(" to drive"))
)


def _meant(column: str, unit: str) -> pl.Expr:
    """What a pulse means beside its width, where it means that."""
    number = pl.col(column).round(1).cast(pl.String)
    return pl.concat_str(pl.lit(", "), number, pl.lit(f" {unit}")).fill_null("")


_PULSE = pl.concat_str(
    _either("high", "high for ", "low for "),
    (pl.col("width_ns") / 1e3).round(1).cast(pl.String),
    pl.lit(" us"),
    _meant("angle_deg", "deg"),
    _meant("distance_cm", "cm"),
)
_ABSENT = {"messages": "not published", "prints": "not printed"}
_PLACES: Mapping[str, _Place] = {
    "prints": _Place(whole=(pl.col("text"),)),
    "messages": _Place(texts=(pl.col("topic"), pl.col("payload")), fields=True),
    "packets": _Place(texts=(pl.col("packet"),), fields=True, problems=True),
    "transactions": _Place(
        texts=(
            _either("read", "(read)", "(write)"),
            pl.when(pl.col("address").is_null()).then(pl.lit("cut transaction")),
        ),
        bytes=("data",),
        problems=True,
    ),
    "words": _Place(bytes=("mosi", "miso"), problems=True),
    "pulses": _Place(whole=(_PULSE,)),
    "line_states": _Place(
        whole=(
            pl.concat_str(
                pl.col("state").replace(STATE_WORDS), _TURN.otherwise(pl.lit("")), ignore_nulls=True
            ),
        )
    ),
    "happenings": _Place(
        texts=(pl.col("what").replace(HAPPENING_WORDS), pl.col("detail")),
    ),
    "exchanges": _Place(
        whole=(
            pl.when(pl.col("outcome") == "none")
            .then(pl.lit("no reply"))
            .otherwise(pl.lit("reply not observable")),
        )
    ),
    "links": _Place(
        whole=(
            pl.when(pl.col("outcome") == "not-observed")
            .then(pl.lit("not observable"))
            .otherwise(
                pl.col("to_table").replace_strict(
                    _ABSENT, default="missing", return_dtype=pl.String
                )
            ),
        )
    ),
}


@dataclass(frozen=True, slots=True)
class _Sought:
    """A text in the forms in which it is looked for."""

    text: str
    words: tuple[str, ...]  # white space parts them
    runs: tuple[str, ...]  # the same, neighbouring bytes in hexadecimal as one
    any_case: bool

    @classmethod
    def of(cls, text: str) -> _Sought:
        words = tuple(text.split())
        runs: list[str] = []
        for is_hex, group in groupby(words, lambda word: _HEX.fullmatch(word) is not None):
            together = list(group)
            runs += ["".join(map(_bytes, together))] if is_hex else together
        return cls(text, words, tuple(runs), text == text.lower())


def matches(text: str, tables: Mapping[str, pl.DataFrame], events: Events) -> Bools:
    """The events that say a text.

    Args:
        text: what to look for; nothing, or nothing but white space, is found nowhere.
        tables: the tables of events by name.
        events: the index over them, n events.

    Returns:
        bool[n].
    """
    mask = np.zeros(len(events), np.bool_)
    if not text.strip() or not _is_whole(text):
        return mask
    sought = _Sought.of(text)
    for k, name in enumerate(EVENT_TABLES):
        own = np.flatnonzero(events.table == k)
        if not len(own):
            continue
        rows, frame = events.row[own], tables[name]
        if name == "packets":
            mask[own] = (_found(sought, frame, name) | _carried(sought, tables))[rows]
        elif len(own) * 2 < frame.height:  # most rows are shown by no event
            mask[own] = _found(sought, frame[rows], name)
        else:
            mask[own] = _found(sought, frame, name)[rows]
    return mask


def _carried(sought: _Sought, tables: Mapping[str, pl.DataFrame]) -> Bools:
    """The packets with a transaction that has all the bytes sought."""
    packets, transactions = tables["packets"], tables["transactions"]
    found = np.zeros(packets.height, np.bool_)
    if all(map(_bytes, sought.runs)):
        packet = carriers(tables)[_found(sought, transactions, "transactions")]
        found[packet[packet != NONE]] = True
    return found


def _is_whole(text: str) -> bool:
    """Whether a text can be in a column; half a character cannot."""
    return text == text.encode("utf-8", "ignore").decode()


def _found(sought: _Sought, frame: pl.DataFrame, name: str) -> Bools:
    """Which rows of a table say it."""
    place = _PLACES[name]
    frame = frame.select(place.columns(frame))
    if place.whole:
        return _any_of(frame, [_has(column, [sought.text], sought) for column in place.whole])
    words = sought.runs if place.bytes else sought.words
    left = np.arange(frame.height)
    for word in sorted(words, key=len, reverse=True):  # a long word leaves few rows for the others
        near = frame if len(left) == frame.height else frame[left]
        left = left[_says(word, sought, near, place)]
    found = np.zeros(frame.height, np.bool_)
    found[left] = True
    return found


def _says(word: str, sought: _Sought, frame: pl.DataFrame, place: _Place) -> Bools:
    """Which rows say one word in any of their columns."""
    asked = [_has(column, [word], sought) for column in place.texts]
    if place.fields:
        asked.append(_has(pl.col("fields"), _in_json(word), sought))
    found = _any_of(frame, asked)
    for column in place.bytes:
        found |= _has_bytes(frame[column], word)
    if place.problems:
        found |= _has_problem(frame["problems"], word, sought)
    return found


def _any_of(frame: pl.DataFrame, asked: Sequence[pl.Expr]) -> Bools:
    if not asked or not frame.height:
        return np.zeros(frame.height, np.bool_)
    either = pl.any_horizontal(a.fill_null(False) for a in asked).alias("found")
    found: Bools = frame.lazy().select(either).collect(engine="streaming").to_series().to_numpy()
    return found if found.flags.writeable else found.copy()


def _has(column: pl.Expr, forms: list[str], sought: _Sought) -> pl.Expr:
    """Whether a column holds any of some texts."""
    if all(form.isascii() for form in forms):
        return column.str.contains_any(forms, ascii_case_insensitive=sought.any_case)
    pattern = "|".join(map(pl.escape_regex, forms))
    return column.str.contains(f"(?i:{pattern})" if sought.any_case else pattern)


def _in_json(word: str) -> list[str]:
    """A word as it may stand in JSON: as it is, `n=3` as `n":3`, `gate=left` as `gate":"left`."""
    forms = list({word, _escaped(word)})
    name, equals, value = word.partition("=")
    if equals:
        forms += [f'{_escaped(name)}":{q}{_escaped(value)}' for q in ("", '"')]
        if value in _SHOWN:
            forms.append(f'{_escaped(name)}":{_SHOWN[value]}')
    return forms


def _escaped(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)[1:-1]


def _bytes(word: str) -> str:
    found = _HEX.fullmatch(word)
    return found[1].lower() if found else ""


def _has_bytes(column: pl.Series, word: str) -> Bools:
    """Which rows have some whole bytes; what is no hexadecimal is in none."""
    wanted = _bytes(word)
    found = np.zeros(len(column), np.bool_)
    if wanted:
        near = column.str.contains(wanted, literal=True).fill_null(False).arg_true()
        at = column.gather(near).str.contains(f"^(?:..)*?{wanted}")
        found[near.filter(at).to_numpy()] = True
    return found


def _has_problem(column: pl.Series, word: str, sought: _Sought) -> Bools:
    """Which rows have a problem whose words say it; most rows have none."""
    bad = (column.list.len() > 0).fill_null(False).arg_true()
    kinds = column.gather(bad).list.join("\n")
    found = np.zeros(len(column), np.bool_)
    said = []
    for kind in kinds.unique().drop_nulls():
        problems = kind.split("\n")
        texts = f"{problem_words(problems)}: {' '.join(problems)}"
        if word in (texts.lower() if sought.any_case else texts):
            said.append(kind)
    found[bad.filter(kinds.is_in(said)).to_numpy()] = True
    return found
