"""Sheets for the tests of what draws them: chosen ones, and any whatever."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from console.timeline.events import GOOD
from console.timeline.sheet.lines import (
    Change,
    CheckCode,
    Field,
    Heading,
    Line,
    Link,
    More,
    RawBytes,
    Sheet,
    Told,
    Tone,
    Words,
)

HOSTILE = (
    "\x1b[2J\x07",
    "[@click=app.quit]x[/x]",
    "\u202eabc",
    "寬い字",
    "\ud800",
    "a\nb\tc",
    "[/]",
)

_text = st.sampled_from(HOSTILE) | st.text(max_size=40)
_change = st.sampled_from(list(Change))
FIELDS = st.builds(
    Field,
    name=_text,
    value=_text,
    level=st.integers(0, 9),
    unit=_text,
    begin=st.integers(-1, 10**6),
    end=st.integers(-1, 10**6),
    content=st.binary(max_size=8),
    allowed=_text,
    problems=st.lists(_text, max_size=2).map(tuple),
    change=_change,
    was=_text,
)
_raw = st.lists(st.tuples(st.integers(0, 255), _change), max_size=40).map(
    lambda pairs: RawBytes(bytes(b for b, _ in pairs), tuple(c for _, c in pairs), 99)
)
_links = st.builds(
    Link,
    is_cause=st.booleans(),
    party=_text,
    what=_text,
    latency_ns=st.none() | st.integers(-(10**15), 10**15),
    by=_text,
    outcome=st.sampled_from(["seen", "missing", "not-observable"]),
    table=_text,
    row=st.integers(-1, 99),
)
_codes = st.builds(
    CheckCode, _text, _text, _text, st.none() | _text, _text, st.integers(-1, 99), st.just(2)
)
_told = st.builds(
    Told, st.sampled_from(["fault", "warning", "note"]), _text, _text, st.just(0), st.just(0)
)
_words = st.builds(Words, _text, st.sampled_from(list(Tone)), st.just(((1, 3), (4, 6))))
LINES = st.one_of(
    FIELDS,
    _raw,
    _links,
    _codes,
    _told,
    _words,
    st.builds(Heading, _text),
    st.builds(More, st.integers(1, 10**6), _text, st.integers(0, 9)),
)
SHEETS = st.builds(
    Sheet,
    title=_text,
    party=_text,
    t_ns=st.just(0),
    end_ns=st.none(),
    time=st.just("34:10.852933"),
    band_ns=st.none() | st.integers(0, 10**15),
    clock=_text,
    state=st.integers(0, 3),
    problems=st.lists(_text, max_size=2).map(tuple),
    compared=_text,
    lines=st.lists(LINES, max_size=12).map(tuple),
)

PLAIN = Sheet(
    title="blocks from camera",
    party="camera",
    t_ns=0,
    end_ns=None,
    time="34:10.852933",
    band_ns=0,
    clock="wire",
    state=GOOD,
    problems=(),
    compared="",
    lines=(),
)


def sheet(*lines: Line) -> Sheet:
    """A sheet with these lines."""
    return replace(PLAIN, lines=lines)
