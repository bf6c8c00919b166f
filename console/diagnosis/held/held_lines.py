"""The lines held around an episode, from the wire where it was kept, else from the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from console.diagnosis.held.attempts import Attempt, attempts_after, left_at
from console.diagnosis.held.clocks import clocks_to_free
from console.diagnosis.held.drawing import Line
from console.diagnosis.held.earlier import as_before
from console.diagnosis.held.held import Held, LetGo
from console.diagnosis.held.standing import Row, Standing, standing_in_rows, standing_on
from console.diagnosis.held.wire import SPIKE_NS, Wire, wire_of
from console.diagnosis.held.words import held_words
from console.diagnosis.held.writes import could_write
from console.diagnosis.scene import Levels, Scene

LINES: dict[str, Line] = {"sda-held": "sda", "scl-held": "scl", "both-held": "both"}
MOST = 100
_MARGIN_NS = 10_000_000  # of wire on both sides, so that filter and bursts see their ends
_ROUNDING_NS = 1_000  # a row and what was observed end together, but for the rounding of clocks


def held_lines(scene: Scene, most: int = MOST) -> list[Held]:
    """The lines held on the episode's bus, from its last good transaction on, in time order.

    Holds of SDA in one transaction are one: what was tried between them is among its attempts.

    Args:
        scene: the episode in its run.
        most: so many rows of `line_states` are looked at; the first matter most.
    """
    episode = scene.episode
    states = (
        scene.table("line_states")
        .filter(
            (pl.col("bus") == episode.bus)
            & (pl.col("source") == episode.source)
            & pl.col("state").is_in(list(LINES))
            & (pl.col("end_ns") > episode.last_good_ns)
            & (pl.col("start_ns") < episode.until_ns)
        )
        .head(most)
    )
    transactions = scene.table("transactions").filter(
        (pl.col("bus") == episode.bus) & (pl.col("source") == episode.source)
    )
    groups: dict[tuple[int, int], tuple[Row | None, list[Row]]] = {}
    for number, state in enumerate(states.iter_rows(named=True)):  # few: each lasts long
        row = transaction_of(transactions, state)
        is_joined = row is not None and state["state"] == "sda-held"
        key = (int(row["start_ns"]), 0) if row is not None and is_joined else (0, number + 1)
        groups.setdefault(key, (row, []))[1].append(state)
    return [
        held_of(
            rows,
            row,
            _levels(scene, row, rows),
            transactions,
            watched_on=_watched_after(scene, int(rows[-1]["end_ns"])),
        )
        for row, rows in groups.values()
    ]


def _watched_after(scene: Scene, t_ns: int) -> bool:
    """Whether the bus was watched on from a time: what ended then is over, and not only unseen."""
    return scene.knows("capture", t_ns, t_ns + _ROUNDING_NS, scene.episode.source)


def transaction_of(transactions: pl.DataFrame, state: Row) -> Row | None:
    """The transaction a line was held in; None when none was open then.

    Args:
        transactions: of that bus alone, sorted by start.
        state: row of `line_states`.
    """
    place = int(transactions["start_ns"].search_sorted(state["start_ns"], "right")) - 1
    if place < 0:
        return None
    row = transactions.row(place, named=True)
    is_open = row["ended_by"] in ("stuck", "cut") or row["end_ns"] > state["start_ns"]
    return row if is_open else None


def _levels(scene: Scene, row: Row | None, states: Sequence[Row]) -> Levels | None:
    begin_ns = min(
        states[0]["start_ns"], row["start_ns"] if row is not None else states[0]["start_ns"]
    )
    end_ns = max(states[-1]["end_ns"], row["end_ns"] if row is not None else 0)
    return scene.levels(max(begin_ns - _MARGIN_NS, scene.start_ns), end_ns + _MARGIN_NS)


def held_of(
    states: Sequence[Row],
    transaction: Row | None,
    levels: Levels | None = None,
    transactions: pl.DataFrame | None = None,
    *,
    watched_on: bool = False,
    spike_ns: int = SPIKE_NS,
) -> Held:
    """All that is known of a line held in one transaction.

    Args:
        states: its rows of `line_states`, of one line, in time order; the first is where it stood.
        transaction: the row of `transactions` it was held in; None for none.
        levels: the wire from before the START to the end of the transaction; None: not kept.
        transactions: of the run, to look earlier replies up in.
        watched_on: whether its bus was watched after the last row's end.
        spike_ns: as the decoder was told.
    """
    first, last = states[0], states[-1]
    line = LINES[str(first["state"])]
    from_ns = int(first["start_ns"])
    wire = None if levels is None else wire_of(levels, spike_ns)
    # Nothing moves in a hold: its middle is safe from the rounding of clocks to the axis.
    within_ns = (from_ns + int(first["end_ns"])) // 2
    if wire is not None and line == "sda" and (left_ns := left_at(wire, within_ns)) < within_ns:
        within_ns, from_ns = left_ns, wire.last_edge_ns(left_ns)
    standing = None if wire is None else standing_on(wire, within_ns)
    if standing is None:
        standing = standing_in_rows(transaction, first)
    standing = _with_row(standing, transaction)
    attempts: list[Attempt] = []
    if wire is not None and line == "sda":
        attempts = attempts_after(wire, standing, within_ns)
    until_ns = int(last["end_ns"])
    if wire is None:
        let_go = _let_go_in_rows(line, until_ns, transaction, watched_on=watched_on)
    else:
        until_ns, let_go = _end(wire, attempts, line, (within_ns, until_ns))
    earlier = None
    if line == "sda" and standing and transaction and transactions is not None:
        earlier = as_before(transactions, transaction, standing)
    held = Held(
        bus=str(first["bus"]),
        line=line,
        from_ns=from_ns,
        until_ns=until_ns,
        let_go=let_go,
        standing=standing,
        clocks_to_free=clocks_to_free(standing) if standing and line == "sda" else None,
        as_before=earlier,
        could_write=could_write(standing) if standing and line == "sda" else None,
        attempts=tuple(attempts),
        edges_kept=wire is not None,
    )
    return replace(held, words=held_words(held))


def _with_row(standing: Standing | None, transaction: Row | None) -> Standing | None:
    """The address of a 10-bit read stands in the transaction before: the table has it."""
    if standing is None or transaction is None or standing.address is not None:
        return standing
    if standing.read is None:
        return standing
    return replace(standing, address=transaction.get("address"))


def _let_go_in_rows(line: Line, last_ns: int, row: Row | None, *, watched_on: bool) -> LetGo:
    """By what it was let go, as far as a transaction tells that went on, or its STOP.

    SDA that rises while SCL is high ends the transaction; where that goes on, SCL fell.
    """
    ended_by = "cut" if row is None else row["ended_by"]
    goes_on = row is not None and row["end_ns"] > last_ns
    if ended_by == "stuck" or (ended_by == "cut" and not goes_on and not watched_on):
        return ""
    if line != "sda":
        return "by itself"
    if ended_by == "cut":
        return "not known"
    return "clocks" if goes_on else "by itself"


def _end(
    wire: Wire, attempts: Sequence[Attempt], line: Line, span_ns: tuple[int, int]
) -> tuple[int, LetGo]:
    """When it was let go, and by what; `span_ns` is from within it to the last row's end."""
    within_ns, last_ns = span_ns
    for attempt in attempts:
        if attempt.freed and attempt.freed_ns is not None:
            return attempt.freed_ns, "clocks" if attempt.clocks_freed_it else "stop"
    if line != "sda":
        rose = int(wire.rise_ns.searchsorted(within_ns)) < len(wire.rise_ns)
        return last_ns, "by itself" if rose else ""
    end = wire.condition_after(within_ns)
    if end is None and not wire.sda[-1]:
        return last_ns, ""
    end_ns = wire.until_ns if end is None else int(wire.condition_ns[end])
    return wire.sda_rose_ns(end_ns) or end_ns, "by itself"
