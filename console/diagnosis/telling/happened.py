"""What happened, and how it ended: the first two parts of a story."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import polars as pl

from console.diagnosis.before.row_words import form_words
from console.diagnosis.episode import Episode
from console.diagnosis.held.held import Held
from console.diagnosis.lifetimes.limits import near_limit
from console.diagnosis.lifetimes.lives import POLLS, Life
from console.diagnosis.scene import Scene
from console.diagnosis.story import Line, Part, Place
from console.timeline.words import event_words
from console.watch.findings import counted
from console.watch.names import address_text
from console.watch.stop_words import HOW_WORDS
from decoders.durations import in_words

Row = dict[str, Any]
AT_LEAST = 20  # polls of a life before a count of them is worth comparing with round numbers


def head_of(episode: Episode) -> str:
    """The story in one sentence."""
    after = f"after {counted(episode.polls_answered, 'answered poll')}"
    took = f"{after} ({in_words(episode.elapsed_ns)})"
    how = HOW_WORDS.get(episode.how, episode.how)
    if episode.how == "not-asked":
        head = f"{episode.device} was no longer asked {took}"
    else:
        head = f"{episode.device} stopped answering {took}: {how}"
    if not episode.recovered:
        return head
    lasted = in_words(episode.until_ns - episode.first_bad_ns)
    return f"{head} for {lasted}, then it answered again"


def happened(scene: Scene, life: Life | None) -> Part:
    """The last good transaction, the first bad one, and after how many of them."""
    episode = scene.episode
    lines = [*_last_good(scene), *_first_bad(scene), *_counts(episode, life)]
    return Part("What happened", tuple(lines))


def _last_good(scene: Scene) -> Iterator[Line]:
    row = _transaction(scene, scene.episode.last_good_ns)
    if row is None:
        return
    place = _place(row)
    yield Line(f"last answered: {form_words(row)}", place, "good")
    packet = _packet_at(scene, row["start_ns"])
    if packet is not None:
        words = event_words("packets", packet)
        yield Line(f"it was: {words}", Place(packet["start_ns"], "packets", packet["row"]))


def _first_bad(scene: Scene) -> Iterator[Line]:
    episode = scene.episode
    at = Place(episode.first_bad_ns)
    how = HOW_WORDS.get(episode.how, episode.how)
    if episode.how == "not-asked":
        yield Line("the next poll was due here, and did not come", at, "bad")
    else:
        row = _transaction(scene, episode.first_bad_ns)
        if row is None:
            yield Line(f"from here on: {how}", at, "bad")
        else:
            plain = form_words({**row, "problems": ()})
            what = plain if row["data"] else "read" if row["read"] else "write"
            yield Line(f"first unanswered: {what}: {how}", _place(row), "bad")
    if episode.transactions_unanswered:
        ending = "then it answered again" if episode.recovered else "to the end of the run"
        unanswered = counted(episode.transactions_unanswered, "transaction")
        yield Line(f"{unanswered} unanswered {ending}", Place(episode.until_ns))


def _counts(episode: Episode, life: Life | None) -> Iterator[Line]:
    address = address_text(episode.address, episode.address_bits)
    polls = counted(episode.polls_answered, "poll")
    answered = counted(episode.transactions_answered, "transaction")
    took = in_words(episode.elapsed_ns)
    first = Place(episode.first_good_ns)
    yield Line(f"{polls} answered, {answered} at {address}, in {took} since its first", first)
    polled = float(episode.polls_answered)
    near = near_limit(polled, polled) if polled >= AT_LEAST else ""
    if near:
        yield Line(f"a hint, no proof: that is {near}", tone="doubt")
    if life is not None and life.zero != "first seen":
        since = f"since {_ZEROS.get(life.zero, life.zero)}: {in_words(life.elapsed_ns)}"
        more = f", {life.counts[POLLS]:,.0f} polls" if POLLS in life.counts else ""
        yield Line(since + more)


_ZEROS = {"boot": "the board started", "power": "its power came", "answered again": "it recovered"}


def ended(scene: Scene, holds: Sequence[Held]) -> Part:
    """How the lines stood, and what was tried."""
    lines: list[Line] = []
    for held in holds:
        place = Place(held.from_ns)
        for k, words in enumerate(held.words):
            lines.append(Line(words, place if not k else None, "plain" if k else "bad"))
        lines += [Line(row, drawn=True) for row in held.drawing()]
    if not holds:
        lines.append(_free_lines(scene))
    return Part("How it ended", tuple(lines))


def _free_lines(scene: Scene) -> Line:
    episode = scene.episode
    if not scene.knows("capture", episode.first_bad_ns, episode.until_ns):
        return Line("whether a line was held cannot be said: not all of it was observed", None)
    after = scene.window("transactions", episode.first_bad_ns, episode.until_ns)
    bus = after.filter((pl.col("bus") == episode.bus) & (pl.col("source") == episode.source))
    asked = bus.filter(pl.col("address") == episode.address).height
    others = bus.filter(pl.col("address") != episode.address, pl.col("address_acked")).height
    words = "no line was held: SCL and SDA were free"
    if asked:
        words += f"; it was asked {counted(asked, 'more time')}"
    if others:
        words += f"; others on the bus answered {counted(others, 'time')} meanwhile"
    return Line(words)


def _transaction(scene: Scene, start_ns: int) -> Row | None:
    """The transaction of the episode's target that begins at a time."""
    rows = scene.table("transactions")
    first = int(rows["start_ns"].search_sorted(start_ns, side="left"))
    last = int(rows["start_ns"].search_sorted(start_ns, side="right"))
    near = rows.with_row_index("row").slice(first, last - first)
    own = near.filter(
        pl.col("address") == scene.episode.address, pl.col("bus") == scene.episode.bus
    )
    return own.row(0, named=True) if own.height else None


def _packet_at(scene: Scene, start_ns: int) -> Row | None:
    rows = scene.table("packets")
    first = int(rows["start_ns"].search_sorted(start_ns, side="left"))
    last = int(rows["start_ns"].search_sorted(start_ns, side="right"))
    own = rows.with_row_index("row").slice(first, last - first)
    return own.row(0, named=True) if own.height else None


def _place(row: Row) -> Place:
    return Place(row["start_ns"], "transactions", row["row"])
