"""What every event has beside the columns of its table: which table, whose, and how it is.

A filter may ask for these three as if each table had them as columns:

- `table`: one of `EVENT_TABLES`.
- `party`: the name of its column on the timeline.
- `state`: `good`, `odd`, `bad` or `unseen`. The table of line states has a `state` of its own;
  which of the two is meant follows from what it is compared with.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from console.bench.condition_tokens import texts_compared
from console.bench.tables import TABLES, Schema
from console.timeline.events import EVENT_TABLES, Events
from console.timeline.parties import Parties
from decoders.buses.transactions import LINE_STATES
from decoders.errors import DescriptionError, Place
from decoders.toml_lines import closest_hint

TABLE, PARTY, STATE = "table", "party", "state"
EVENT_COLUMNS = (TABLE, PARTY, STATE)
STATES = ("good", "odd", "bad", "unseen")  # by the codes of `Events.state`
OWN_STATE = "line_states"  # the table with a column of that name


def schema_of(name: str, tables: Mapping[str, pl.DataFrame]) -> Schema:
    """The columns and types of a table of events, those of every event first."""
    own = TABLES.get(name)
    if own is None:
        own = dict(tables[name].schema) if name in tables else {}
    return {column: pl.String() for column in EVENT_COLUMNS} | dict(own)


def asks_for_lines(text: str, place: str) -> bool:
    """Whether the `state` of a condition is that of a line, not that of an event.

    Args:
        text: the condition.
        place: where it stands, for the error.

    Raises:
        DescriptionError: if it is compared with a word of neither, or with words of both.
    """
    asked = texts_compared(text, STATE)
    for at, word in asked:
        if word not in STATES and word not in LINE_STATES:
            raise _no_such(word, [*STATES, *LINE_STATES], "states", Place(place, 1, at + 1))
    of_lines = [(at, word) for at, word in asked if word in LINE_STATES]
    if of_lines and len(of_lines) < len(asked):
        at, word = of_lines[0]
        event = next(word for _, word in asked if word in STATES)
        raise DescriptionError(
            f"{event!r} says how an event is, {word!r} how a line is",
            place=Place(place, 1, at + 1),
            mend="One condition can ask for either; a held line is bad as an event.",
        )
    return bool(of_lines)


def check_words(text: str, parties: Parties, place: str) -> None:
    """Refuse tables and parties that there are not.

    Raises:
        DescriptionError: if `table` or `party` is compared with a name that is none.
    """
    names = [party.name for party in parties.every]
    for column, known, what in ((TABLE, EVENT_TABLES, "tables"), (PARTY, names, "parties")):
        for at, word in texts_compared(text, column):
            if word not in known:
                raise _no_such(word, known, what, Place(place, 1, at + 1))


def _no_such(
    word: str, known: list[str] | tuple[str, ...], what: str, place: Place
) -> DescriptionError:
    one = {"states": "state", "tables": "table", "parties": "party"}[what]
    return DescriptionError(
        f"no {one} named {word!r}", place=place, mend=closest_hint(word, known, what)
    )


def with_event_columns(
    frame: pl.DataFrame, name: str, events: Events, parties: Parties, wanted: set[str]
) -> pl.DataFrame:
    """A table with some of the columns of every event; null in rows that no event shows.

    Args:
        frame: the table, n rows.
        name: its name.
        events: all events, for whose each row is.
        parties: whose events they are.
        wanted: which of `EVENT_COLUMNS`; one that the table has itself is replaced.
    """
    found: dict[str, pl.Series] = {}
    if TABLE in wanted:
        found[TABLE] = pl.Series([name], dtype=pl.String).new_from_index(0, frame.height)
    if wanted & {PARTY, STATE}:
        own = events.table == EVENT_TABLES.index(name)
        rows = events.row[own]
        for column, codes, words in (
            (PARTY, events.party, [party.name for party in parties.every]),
            (STATE, events.state, list(STATES)),
        ):
            if column in wanted:
                found[column] = _spelt(codes[own], rows, frame.height, words)
    return frame.with_columns(**found)


def _spelt(
    codes: np.ndarray[tuple[int], np.dtype[np.integer]],
    rows: np.ndarray[tuple[int], np.dtype[np.uint32]],
    height: int,
    words: list[str],
) -> pl.Series:
    """Codes of some rows as words, in a column of all rows."""
    known = pl.Series([*words, None], dtype=pl.String)
    all_codes = np.full(height, len(words), np.uint32)
    all_codes[rows] = codes
    return known.gather(pl.Series(all_codes))
