"""What was printed, sent and what happened to the sources, just before."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.statistics import Ints, codes_of, largest_of, novelty
from console.diagnosis.before.windows import Heard
from console.diagnosis.story import Place
from decoders.durations import in_words

# Every number, hexadecimal ones and signs too: lines that differ in nothing else are one sentence.
NUMBERS = r"[-+]?(?:0[xX][0-9A-Fa-f]+|\d+(?:\.\d+)?)"
_MOST_SHOWN = 60  # characters of a text


def sentence(column: str) -> pl.Expr:
    """A text with `#` for every number."""
    return pl.col(column).fill_null("").str.replace_all(NUMBERS, "#")


def prints(history: History, heard: Heard) -> Kind:
    """Sentences that are hardly ever printed; a line that lost bytes is none."""
    whole = ~heard.rows["damaged"].fill_null(value=False).to_numpy()
    key = pl.concat_str("source", sentence("text"), separator="\t")
    codes = np.where(whole, codes_of(heard.rows.select(key).to_series()), -1)

    def words(row: Mapping[str, Any]) -> str:
        return f"{row['source']} printed “{_short(row['text'])}”"

    def same(row: Mapping[str, Any]) -> str:
        return f"{row['source']} printing “{_short(_masked(row['text']))}”"

    return Kind(
        "prints", heard.windows.units, [_rare(history, heard, codes, "prints", words, same)]
    )


def messages(history: History, heard: Heard) -> Kind:
    """Topics that hardly ever come, and payloads unlike those that do; no memory of the broker."""
    news = ~heard.rows["retain"].fill_null(value=False).to_numpy()
    topics = np.where(news, codes_of(heard.rows["topic"]), -1)
    key = pl.concat_str("topic", sentence("payload"), separator="\t")
    payloads = np.where(news, codes_of(heard.rows.select(key).to_series()), -1)

    def words(row: Mapping[str, Any]) -> str:
        return f"message on {row['topic']}: {_short(row['payload'] or '')}"

    return Kind(
        "messages",
        heard.windows.units,
        [
            _rare(
                history,
                heard,
                topics,
                "messages",
                words,
                lambda row: f"a message on {row['topic']}",
            ),
            _rare(
                history,
                heard,
                payloads,
                "messages",
                words,
                lambda row: f"a message on {row['topic']}: {_short(_masked(row['payload'] or ''))}",
            ),
        ],
    )


def happenings(history: History, heard: Heard) -> Kind:
    """What happened to the recorded sources: opened, lost, refused, .."""
    codes = codes_of(heard.rows.select(pl.concat_str("source", "what", separator="\t")).to_series())

    def words(row: Mapping[str, Any]) -> str:
        return f"{row['source']}: {row['what']}"

    return Kind(
        "happenings",
        heard.windows.units,
        [_rare(history, heard, codes, "happenings", words, words)],
    )


_RowWords = Callable[[Mapping[str, Any]], str]


# What the healthy stretch ends with where no own transaction went unanswered at that moment.
_MOMENTS = {
    "not-asked": "the poll that did not come",
    "sda-stuck": "SDA was held low",
    "scl-stuck": "SCL was held low",
}


def _moment(history: History) -> str:
    """What came then."""
    how = "" if history.units.bad is not None else history.scene.episode.how
    return _MOMENTS.get(how, "the first unanswered transaction")


def _rare(
    history: History, heard: Heard, codes: Ints, table: str, words: _RowWords, same: _RowWords
) -> Measure:
    """How rare the rarest row of each window is; codes of -1 are not looked at."""
    moment = _moment(history)
    scores = np.where(codes < 0, 0.0, novelty(codes))
    largest, rows = largest_of(scores, heard.window, heard.windows.n)

    def said(window: int) -> Said:
        at = int(rows[window])
        row = heard.rows.row(at, named=True)
        t_ns = row["t_ns"]
        where = np.unique(heard.window[(codes == codes[at]) & (heard.window >= 0)])
        healthy = heard.windows.units.healthy
        share = float((healthy[where].sum() + 1) / (healthy.sum() + 1))
        ago = in_words(heard.windows.until_ns - t_ns)
        place = Place(t_ns, table, row["row"])
        text = f"{words(row)} {ago} before {moment}"
        return Said(text, place, same(row), share, heard.windows.until_ns - t_ns)

    return Measure(largest, said)


def _short(text: str) -> str:
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + "…"


def _masked(text: str) -> str:
    return str(pl.select(pl.lit(text).str.replace_all(NUMBERS, "#")).item())
