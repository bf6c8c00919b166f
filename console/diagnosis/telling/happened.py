"""What happened, and how it ended: the first two parts of a story."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import polars as pl

from console.diagnosis.before.row_words import form_words
from console.diagnosis.episode import Episode
from console.diagnosis.held.held import Held
from console.diagnosis.lifetimes.limits import near_limit
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.scene import Scene, is_on_bus, is_own
from console.diagnosis.story import Line, Part, Place
from console.timeline.words import event_words
from console.watch.findings import counted
from console.watch.names import Names, address_text
from console.watch.stop_words import HOW_WORDS
from decoders.durations import in_words

Row = dict[str, Any]
AT_LEAST = 100  # polls before a count of them is worth comparing with round numbers


def head_of(episode: Episode) -> str:
    """The story in one sentence."""
    after = f"after {counted(episode.polls_answered, 'answered poll')}"
    took = f"{after} ({in_words(episode.elapsed_ns)})"
    how = HOW_WORDS.get(episode.how, episode.how)
    lasted = in_words(episode.until_ns - episode.first_bad_ns)
    if episode.how == "not-asked":
        again = f"; it was asked again {lasted} later" if episode.recovered else ""
        return f"{episode.device} was no longer asked {took}{again}"
    again = f"; it answered again {lasted} later" if episode.recovered else ""
    if not episode.transactions_answered:
        return f"{episode.device} gave no valid answer at all: {how}{again}"
    what = "could not be asked" if _is_victim(episode) else "stopped answering"
    return f"{episode.device} {what} {took}: {how}{again}"


def _is_victim(episode: Episode) -> bool:
    """Whether it is the bus that stopped: no transaction of its own went unanswered."""
    return episode.how in ("sda-stuck", "scl-stuck") and not episode.transactions_unanswered


def happened(
    scene: Scene, life: Life | None, with_it: Sequence[Episode] = (), inside_of: str = ""
) -> Part:
    """The last good transaction, the first bad one, and after how many of them.

    Args:
        scene: of the episode.
        life: that ended with it.
        with_it: episodes of other devices that began as it did.
        inside_of: in whose transaction a line was held, "" where none was.
    """
    episode = scene.episode
    lines = [*_last_good(scene), *_first_bad(scene, inside_of), *_counts(episode, life)]
    return Part("What happened", (*lines, *_with_it(episode, with_it)))


def _with_it(episode: Episode, others: Sequence[Episode]) -> Iterator[Line]:
    for other in others:
        apart = other.first_bad_ns - episode.first_bad_ns
        when = "at the same moment" if not apart else in_words(abs(apart))
        when += "" if not apart else " later" if apart > 0 else " before"
        how = HOW_WORDS.get(other.how, other.how)
        yield Line(f"{other.device} too, {when}: {how}", Place(other.first_bad_ns), "bad")


def _last_good(scene: Scene) -> Iterator[Line]:
    if not scene.episode.transactions_answered:
        return
    row = _transaction(scene, scene.episode.last_good_ns)
    if row is None:
        return
    packet = _packet_at(scene, row["start_ns"])
    form = form_words(row)
    words = form if packet is None else f"{event_words('packets', packet)} ({form})"
    yield Line(f"last answered: {words}", _place(row), "good")


def held_in(scene: Scene, holds: Sequence[Held], names: Names) -> str:
    """In whose transaction a line was first held: `a read from camera (0x47)`; "" if unknown."""
    standing = holds[0].standing if holds else None
    if standing is None or standing.address is None:
        return ""
    address = address_text(standing.address, standing.address_bits)
    name = names.devices.get((scene.episode.bus, standing.address))
    way = "a read from" if standing.read else "a write to"
    return f"{way} {name} ({address})" if name else f"{way} {address}"


def _first_bad(scene: Scene, inside_of: str) -> Iterator[Line]:
    episode = scene.episode
    at = Place(episode.first_bad_ns)
    how = HOW_WORDS.get(episode.how, episode.how)
    if episode.how == "not-asked":
        yield Line("the next poll was due here, and did not come", at, "bad")
    else:
        row = _transaction(scene, episode.first_bad_ns)
        if row is None:
            inside = f", inside {inside_of}" if inside_of else ""
            yield Line(f"from here on: {how}{inside}", at, "bad")
        else:
            plain = form_words({**row, "problems": ()})
            what = plain if row["data"] else "read" if row["read"] else "write"
            yield Line(f"first unanswered: {what}: {how}", _place(row), "bad")
    yield from _dead(episode)


def _dead(episode: Episode) -> Iterator[Line]:
    """How long, and how often it was asked in vain."""
    lasted = in_words(episode.until_ns - episode.first_bad_ns)
    what = f"{'could not be asked' if _is_victim(episode) else 'unanswered'} for {lasted}"
    if episode.how == "not-asked":
        what = f"not asked for {lasted}"
    elif episode.transactions_unanswered:
        what += f", in {counted(episode.transactions_unanswered, 'transaction')}"
    again = "asked" if episode.how == "not-asked" else "answered"
    ending = f"then it {again} again" if episode.recovered else "to the end of the run"
    yield Line(f"{what}, {ending}", Place(episode.until_ns))


def _counts(episode: Episode, life: Life | None) -> Iterator[Line]:
    if not episode.transactions_answered:
        return
    address = address_text(episode.address, episode.address_bits)
    polls = counted(episode.polls_answered, "poll")
    answered = counted(episode.transactions_answered, "transaction")
    took = in_words(episode.elapsed_ns)
    polled = float(episode.polls_answered)
    near = near_limit(polled, polled) if polled >= AT_LEAST else ""
    words = f"answered until then: {polls}{', ' * bool(near)}{near} ({answered} at {address})"
    words += f" in {took}"
    if life is not None and life.zero in _ZEROS:
        words += f", {in_words(life.elapsed_ns)} after {_ZEROS[life.zero]}"
    yield Line(words, Place(episode.first_good_ns))


ENDED = "How it ended"
_ZEROS = {"boot": "the board started", "power": "its power came"}


def ended(scene: Scene, holds: Sequence[Held], names: Names) -> Iterator[Part]:
    """How the lines stood, and what was tried; the longest of several holds, the others folded.

    Args:
        scene: of the episode.
        holds: lines of its bus that were held then.
        names: who is who.
    """
    if not holds:
        yield Part(ENDED, (_free_lines(scene),))
        return
    told = max(holds, key=lambda held: held.until_ns - held.from_ns)
    others = [held for held in holds if held is not told]
    yield Part(ENDED, (*_held(scene, told, names), *_how_many_others(others)))
    if others:
        lines = (Line(_named(scene, held, names)[0], Place(held.from_ns)) for held in others)
        yield Part("The other times a line was held", tuple(lines), folded=True)


def _held(scene: Scene, held: Held, names: Names) -> Iterator[Line]:
    """All that is known of one hold, and its byte drawn."""
    first, *rest = _named(scene, held, names)
    yield Line(first, Place(held.from_ns), "bad")
    yield from (Line(words) for words in rest)
    yield from (Line(row, drawn=True) for row in held.drawing())


def _how_many_others(others: Sequence[Held]) -> Iterator[Line]:
    if others:
        lengths = [held.until_ns - held.from_ns for held in others]
        low, high = in_words(min(lengths)), in_words(max(lengths))
        span = low if low == high else f"{low} to {high}"
        yield Line(
            f"That is the longest; a line was held {counted(len(others), 'more time')}, {span}."
        )


def _named(scene: Scene, held: Held, names: Names) -> Sequence[str]:
    """What is said of a held line, with the name of whom the transaction was for."""
    standing = held.standing
    if standing is None or standing.address is None:
        return held.words
    address = address_text(standing.address, standing.address_bits)
    name = names.devices.get((scene.episode.bus, standing.address))
    where, *rest = held.words
    return (where.replace(address, f"{name} ({address})") if name else where, *rest)


def _free_lines(scene: Scene) -> Line:
    episode = scene.episode
    if not scene.knows("capture", episode.first_bad_ns, episode.until_ns, episode.source):
        return Line("whether a line was held cannot be said: not all of it was observed", None)
    after = scene.window("transactions", episode.first_bad_ns, episode.until_ns)
    bus = after.filter(is_on_bus(episode))
    asked = bus.filter(is_own(episode)).height
    others = bus.filter(~is_own(episode), pl.col("address_acked")).height
    words = "no line was held: SCL and SDA were free"
    if asked:
        words += f"; it was asked {counted(asked, 'time')}"
    if others:
        words += f"; others on the bus answered {counted(others, 'time')}"
    return Line(words)


def _transaction(scene: Scene, start_ns: int) -> Row | None:
    """The transaction of the episode's target that begins at a time."""
    rows = scene.table("transactions")
    first = int(rows["start_ns"].search_sorted(start_ns, side="left"))
    last = int(rows["start_ns"].search_sorted(start_ns, side="right"))
    near = rows.with_row_index("row").slice(first, last - first)
    own = near.filter(is_on_bus(scene.episode), is_own(scene.episode))
    return own.row(0, named=True) if own.height else None


def _packet_at(scene: Scene, start_ns: int) -> Row | None:
    rows = scene.table("packets")
    first = int(rows["start_ns"].search_sorted(start_ns, side="left"))
    last = int(rows["start_ns"].search_sorted(start_ns, side="right"))
    own = rows.with_row_index("row").slice(first, last - first)
    return own.row(0, named=True) if own.height else None


def _place(row: Row) -> Place:
    return Place(row["start_ns"], "transactions", row["row"])
