"""Limits learned from a span in which all was well, as rules to propose.

For what must come, how long it stays away; for what answers, how long it takes; for numbers,
between which limits they stay. Of the values in the span the rule takes a quantile and adds a
margin, and never less than what was seen: so over the same span it finds nothing. What does all the
same is written as a comment, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.conditions import JSON_COLUMN
from console.bench.load import load_rules
from console.bench.model import Bench
from console.bench.proposed import Proposed, proposed_text
from console.bench.tables import time_column
from console.pipeline.evidence import Evidence
from console.pipeline.proposing_replies import answered
from console.pipeline.run_findings import timed_rows
from console.timeline.numbers.numeric_fields import numbers_of, numeric_fields
from console.trust.unobserved import NOTHING, Unobserved
from console.watch.watching import watched
from decoders.durations import in_words

QUANTILE = 0.999
SILENCE_MARGIN = 1.0  # of the quantile, on top of it
NUMBER_MARGIN = 0.25  # of the spread between the quantiles, beyond each
BEYOND_SEEN = 1.25  # a silence is allowed to be so much longer than the longest seen
FEWEST = 20  # events or values, for them to say what is usual
_COUNTS = 0.98  # share of steps that do not go down, for a number to be a counter or a clock

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Healthy:
    """A span of a run in which all was well. Times in ns on the common axis."""

    tables: Mapping[str, pl.DataFrame]  # the rows in it
    from_ns: int
    until_ns: int
    unobserved: Mapping[str, Unobserved]

    @classmethod
    def of(cls, evidence: Evidence, from_ns: int, until_ns: int) -> Healthy:
        """The rows of a run between two moments, both included."""
        rows = {
            name: table.filter(pl.col(time_column(name)).is_between(from_ns, until_ns))
            for name, table in timed_rows(evidence.tables).items()
        }
        return cls(rows, from_ns, until_ns, evidence.observation.unobserved)


def healthy_until_ns(evidence: Evidence) -> int:
    """When the first fault begins; the end where there is none."""
    faults = [finding.t_ns for finding in evidence.findings if finding.severity == "fault"]
    return min([*faults, evidence.end_ns])


def proposals(bench: Bench, span: Healthy) -> list[Proposed]:
    """Rules that hold over the span, and as comments those that would not.

    Args:
        bench: whose devices and buses rules may name.
        span: to learn from.
    """
    made = [*_cadences(span), *answered(bench, span.tables), *_limits(span)]
    return [_tried(rule, bench, span) for rule in made]


def _tried(rule: Proposed, bench: Bench, span: Healthy) -> Proposed:
    """The rule, run over the span it was learned from."""
    rules = load_rules(proposed_text([], [rule]), "proposed", bench)
    alone = msgspec.structs.replace(bench, rules=rules)
    found = watched(
        alone,
        span.tables,
        span.from_ns,
        span.until_ns,
        unobserved=span.unobserved,
        defaults=False,
    )
    loud = [finding for finding in found if finding.severity != "note"]
    return rule.without(f"Not proposed, for it finds: {loud[0].summary}") if loud else rule


def _cadences(span: Healthy) -> Iterator[Proposed]:
    """How long each source of prints and each topic may stay away."""
    for table, column in (("prints", "source"), ("messages", "topic")):
        rows = span.tables[table]
        for (name,), part in rows.partition_by(column, as_dict=True, maintain_order=True).items():
            source = str(part["source"][0])
            times = part[time_column(table)].to_numpy()
            if len(times) < FEWEST:
                continue
            gaps = _gaps(times, span, span.unobserved.get(source, NOTHING))
            usual, longest = float(np.quantile(gaps, QUANTILE)), float(gaps.max())
            allowed_ns = max(usual * (1 + SILENCE_MARGIN), longest * BEYOND_SEEN)
            why = (
                f"{len(times):,} of {name}: {QUANTILE:.1%} of the pauses last "
                f"{in_words(round(usual))} at most, the longest {in_words(round(longest))}.",
                f"Allowed: the first and {SILENCE_MARGIN:.0%}, or {BEYOND_SEEN:g} times the "
                "second where that is more.",
            )
            where = f"{column} = {_text(str(name))}"
            keys = {"kind": "cadence", "table": table, "where": where}
            yield Proposed(why, {**keys, "silence_s": _up(allowed_ns / 1e9)})


def _gaps(times: npt.NDArray[np.int64], span: Healthy, unseen: Unobserved) -> npt.NDArray[np.int64]:
    """Pauses between events, and from the last to the end; where the source was observed."""
    ends = np.concatenate([times, [span.until_ns]])
    whole = ~unseen.touches(ends[:-1], ends[1:])
    gaps = np.diff(ends)[whole]
    return gaps if len(gaps) else np.diff(ends)


def _limits(span: Healthy) -> Iterator[Proposed]:
    """Between which limits each number stays."""
    tables = {name: span.tables[name] for name in ("messages", "packets", "prints", "exchanges")}
    for field in numeric_fields(tables):
        if field.pattern or not (field.path.startswith(JSON_COLUMN) or field.table == "exchanges"):
            continue
        values = numbers_of(tables, field).values
        if len(values) < FEWEST or np.ptp(values) == 0 or _is_counter(values):
            continue
        where = " AND ".join(f"{column} = {_text(str(value))}" for column, value in field.selects)
        low, high, why = _between(values, field.table != "exchanges")
        what = f"{len(values):,} values of {field.path} of {field.subject or field.party}: {why}"
        keys: dict[str, str | int | float] = {"kind": "limits", "table": field.table}
        keys |= {"field": field.path, "where": where}
        keys |= {} if low is None else {"min": low}
        yield Proposed((what, _MARGIN_WORDS), {**keys, "max": high})


_MARGIN_WORDS = (
    f"Allowed: {NUMBER_MARGIN:.0%} of what lies between the two beyond each, and all that was seen."
)


def _between(values: Floats, both: bool) -> tuple[float | int | None, float | int, str]:
    """Lowest (where `both`) and highest value to allow, and what they rest on."""
    low, high = np.quantile(values, [1 - QUANTILE, QUANTILE])
    margin = (high - low) * NUMBER_MARGIN or abs(high) * NUMBER_MARGIN
    lowest = min(low - margin, values.min())
    highest = max(high + margin, values.max())
    step = 10.0 ** np.floor(np.log10(max(high - low, abs(high) * 1e-6, 1e-12)) - 2)
    why = (
        f"{QUANTILE:.1%} are at least {low:g} and at most {high:g}; seen were {values.min():g} "
        f"to {values.max():g}."
    )
    least = _number(np.floor(lowest / step) * step) if both else None
    return least, _number(np.ceil(highest / step) * step), why


def _number(value: float) -> float | int:
    """As it is to stand in the file."""
    rounded = float(f"{value:.9g}")
    return int(rounded) if rounded == int(rounded) else rounded


def _is_counter(values: Floats) -> bool:
    """Whether a number goes on and on, so that limits say nothing of it."""
    steps = np.diff(values)
    return bool(np.mean(steps >= 0) >= _COUNTS and np.mean(steps > 0) > 1 - _COUNTS)


def _up(seconds: float) -> float | int:
    """Rounded up to two digits."""
    step = 10.0 ** (np.floor(np.log10(seconds)) - 1)
    return _number(float(np.ceil(seconds / step) * step))


def _text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def head_of(name: str, evidence: Evidence, span: Healthy) -> Sequence[str]:
    """What stands above the rules of a run."""
    lasted = in_words(span.until_ns - span.from_ns)
    after = span.from_ns - evidence.start_ns
    since = f"from {in_words(after)} after its start on" if after else "from its start on"
    return (
        f"Rules learned from {name}: {lasted}, {since}.",
        "They find nothing there. Try them on other runs: lastack check RUN --rules FILE",
        "and, for the alarms a day and how soon each is told, --back-test; then put what is",
        "worth it into the bench file.",
    )
