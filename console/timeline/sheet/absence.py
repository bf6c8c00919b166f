"""The sheets of what did not come: a reply that is missing, an effect that did not follow."""

from __future__ import annotations

import polars as pl

from console.timeline.events import EVENT_TABLES
from console.timeline.sheet.before import good_before
from console.timeline.sheet.lines import Body, Field, Line, Tone, Words
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.wire_lines import whose
from console.timeline.words import event_words, problem_words
from decoders.durations import in_words

_OUTCOMES = {
    "none": "no reply came",
    "not-observed": "a reply could not have been seen",
    "not-observable": "a reply could not have been seen",
}
UNSEEN = ("not-observed", "not-observable")
_UNSEEN = "Part of the time in which a reply was due was not observed: it may have come."
_EFFECTS = {
    "prints": "printed",
    "messages": "published",
    "packets": "sent",
    "transactions": "seen on the bus",
}


def exchange_body(run: Run, at: int, row: Row) -> Body:
    """What was asked and did not come, row `at` of the exchanges."""
    exchanges, device = run.tables["exchanges"], str(row["device"])
    said = _OUTCOMES.get(row["outcome"], str(row["outcome"]))
    lines: list[Line] = []
    if row["outcome"] in UNSEEN:
        lines.append(Words(_UNSEEN, Tone.QUIET))
    lines.append(Field("asked", f"{row['request']} to {device}"))
    lines.append(Field("asked at", run.time(row["request_ns"], row["band_ns"])))
    replies, within = _awaited(run, device, str(row["request"]))
    lines.append(Field("awaited", replies or "a reply"))
    lines.append(Field("within", in_words(within) if within is not None else "no limit told"))
    lines += _request_lines(run, row)
    same = (pl.col("device") == device) & (pl.col("request") == row["request"])
    past = good_before(exchanges, at, same, pl.col("outcome") == "answered")
    if past.rows:
        good = exchanges.row(past.rows[0], named=True)
        missed = past.steps[0] - 1
        lines.append(Field("last answered", ago(row["request_ns"], good["request_ns"])))
        lines.append(Field("then after", in_words(good["latency_ns"])))
        lines.append(Field("missed since", f"{missed:,} before this one" if missed else "none"))
    else:
        lines.append(Words(past.none_words("exchange").removesuffix(" to compare with")))
    source, _ = _request(run, row)
    return Body(f"{device}: {said}", tuple(lines), source=source)


def _awaited(run: Run, device: str, request: str) -> tuple[str, int | None]:
    """The packets that answer a request, and the longest time any of them has."""
    packets = run.packet_set(device)
    kinds = [k for k in (packets.kinds if packets is not None else ()) if k.answers == request]
    times = [kind.within_ns for kind in kinds if kind.within_ns is not None]
    return " or ".join(kind.name for kind in kinds), max(times, default=None)


def _request(run: Run, row: Row) -> tuple[str, Row | None]:
    """The source that saw the request, and its transaction."""
    transactions = run.tables["transactions"]
    low = int(transactions["start_ns"].search_sorted(row["request_ns"], "left"))
    bus = run.bus_of(str(row["device"]))
    for at in range(low, min(low + 4, transactions.height)):
        found = transactions.row(at, named=True)
        if found["start_ns"] != row["request_ns"]:
            break
        if bus is None or found["bus"] == bus:
            return str(found["source"]), found
    return "", None


def _request_lines(run: Run, row: Row) -> list[Line]:
    """How the request itself went."""
    _, found = _request(run, row)
    if found is None:
        return []
    went = problem_words(found["problems"]) or "acknowledged"
    return [Field("request", f"{whose(found)}, {went}")]


def missing_body(run: Run, at: int, row: Row) -> Body:
    """An effect that did not follow its cause, row `at` of the links."""
    effect = _EFFECTS.get(row["to_table"], "seen")
    is_missing = row["outcome"] == "missing"
    said = f"not {effect}" if is_missing else f"cannot say whether {effect}"
    lines: list[Line] = []
    if not is_missing:
        lines.append(Words("What would have shown it was not observed.", Tone.QUIET))
    cause = _cause(run, row)
    if cause is not None:
        lines.append(Field("cause", cause))
    lines.append(Field("cause at", run.time(row["from_ns"])))
    lines.append(Field("due by", run.time(row["to_ns"])))
    if row["by"]:
        lines.append(Field("tied by", str(row["by"])))
    return Body(said, tuple(lines))


def _cause(run: Run, row: Row) -> str | None:
    table = row["from_table"]
    if table not in EVENT_TABLES or row["from_row"] is None:
        return None
    return event_words(table, run.tables[table].row(int(row["from_row"]), named=True))
