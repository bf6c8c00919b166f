"""What a back-test came to, as text for people and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from console.pipeline.backtest import Alarm, BackTest, RuleRate, rates
from console.printable import printable
from console.timeline.times import since_start
from decoders.durations import UNITS_NS, in_words

SCHEMA = 1
MOST_SHOWN = 40  # alarms of a run printed in full; `--all` prints the rest
_AT_ONCE_NS = 20_000_000  # told with the row that shows it
_HEADS = ("severity", "rule", "party", "alarms", "healthy", "a day", "told after", "at most")


def backtest_text(runs: Sequence[BackTest], *, all_alarms: bool = False) -> str:
    """The whole report; safe for a terminal.

    Args:
        runs: as they were watched again.
        all_alarms: whether to print more than the first forty of each run.
    """
    return "\n".join([*_head(runs), "", *_table(rates(runs)), *_runs(runs, all_alarms)]) + "\n"


def _head(runs: Sequence[BackTest]) -> Iterator[str]:
    watched = sum(run.end_ns - run.start_ns for run in runs)
    healthy = sum(run.healthy_ns for run in runs)
    count = f"{len(runs)} run{'s' * (len(runs) != 1)}"
    yield f"back-test of {count}: {_span(watched)} watched, healthy for {_span(healthy)}"
    for run in runs:
        until = since_start(run.healthy_until_ns - run.start_ns, UNITS_NS["s"])
        ends = "healthy throughout" if run.healthy_until_ns >= run.end_ns else f"healthy to {until}"
        yield f"  {printable(run.name)}: {_span(run.end_ns - run.start_ns)}, {ends}"


def _span(ns: int) -> str:
    """`33 min`, `26.0 h`."""
    hours = ns / UNITS_NS["h"]
    return f"{hours:,.1f} h" if hours >= 2 else in_words(ns)


def _table(found: Sequence[RuleRate]) -> Iterator[str]:
    if not found:
        yield "no rule told anything"
        return
    rows = [_HEADS, *(_cells(rate) for rate in found)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(_HEADS))]
    for row in rows:
        cells = [
            f"{cell:{'<' if k < 3 else '>'}{width}}"
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()


def _cells(rate: RuleRate) -> tuple[str, ...]:
    return (
        rate.severity,
        printable(rate.rule),
        printable(rate.party),
        f"{rate.alarms:,}",
        f"{rate.in_health:,}",
        "-" if rate.a_day is None else f"{rate.a_day:.2f}",
        _delay(rate.median_delay_ns),
        _delay(rate.longest_delay_ns),
    )


def _delay(ns: int) -> str:
    return "at once" if ns <= _AT_ONCE_NS else in_words(ns)


def _runs(runs: Sequence[BackTest], all_alarms: bool) -> Iterator[str]:
    for run in runs:
        if not run.alarms:
            continue
        yield ""
        yield f"{printable(run.name)}:"
        shown = run.alarms if all_alarms else run.alarms[:MOST_SHOWN]
        for alarm in shown:
            yield f"  {_alarm(run, alarm)}"
        if len(shown) < len(run.alarms):
            yield f"  and {len(run.alarms) - len(shown):,} more: --all prints them"


def _alarm(run: BackTest, alarm: Alarm) -> str:
    at = since_start(alarm.told_ns - run.start_ns, UNITS_NS["ms"])
    after = _delay(alarm.delay_ns)
    told = f"told at {at} ({after if after == 'at once' else after + ' after it began'})"
    taken_back = "" if alarm.stands else ", taken back later"
    found = alarm.finding
    return f"{found.severity:7}  {told}{taken_back}: {printable(found.summary)}"


def backtest_object(runs: Sequence[BackTest]) -> dict[str, Any]:
    """The whole report, ready for JSON; times in ns on each run's common axis."""
    return {
        "schema": SCHEMA,
        "watched_ns": sum(run.end_ns - run.start_ns for run in runs),
        "healthy_ns": sum(run.healthy_ns for run in runs),
        "rules": [asdict(rate) for rate in rates(runs)],
        "runs": [
            {
                "name": run.name,
                "start_ns": run.start_ns,
                "end_ns": run.end_ns,
                "healthy_until_ns": run.healthy_until_ns,
                "alarms": [
                    {
                        **asdict(alarm.finding),
                        "told_ns": alarm.told_ns,
                        "delay_ns": alarm.delay_ns,
                        "stands": alarm.stands,
                    }
                    for alarm in run.alarms
                ],
            }
            for run in runs
        ],
    }
