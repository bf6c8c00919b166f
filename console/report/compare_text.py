"""What `compare` prints for people: the lives, the verdict, the laws of lifetime."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from rich.cells import cell_len

from console.diagnosis.differences.habits import Habits
from console.diagnosis.lifetimes.comparison import Comparison
from console.diagnosis.lifetimes.limits import nearest_power
from console.diagnosis.lifetimes.lives import POLLS, Life
from console.diagnosis.lifetimes.plot import lives_plot
from console.diagnosis.lifetimes.survival import Survival
from console.diagnosis.lifetimes.weibull import FEWEST_FITTED, Interval, Weibull
from console.diagnosis.lifetimes.words import clean_run_words, verdict_words
from console.printable import printable
from console.report.compare_differences import difference_lines
from console.report.wrapping import wrapped
from console.watch.findings import counted
from decoders.durations import in_words

_HEADS = ("run", "counted from", "ended", "after", "polls", "transactions", "nearest power of two")
_LEFT = 3  # columns of text; figures stand to the right
_MOST_OTHERS = 6


def compare_text(
    compared: Comparison, runs: int, habits: Sequence[Habits] = (), width: int | None = None
) -> str:
    """The whole report as text that ends with a line feed; safe for a terminal.

    Args:
        compared: the lives of one device.
        runs: how many were read.
        habits: of the device in each run, which are told apart too.
        width: columns to wrap sentences to; None leaves each on one line.
    """
    lines = [*_table(compared.lives), "", *_verdict(compared)]
    plot = lives_plot(compared.lives)
    lines += ["", *plot] if plot else []
    lines += ["", *_laws(compared)] if compared.verdict.failures else []
    differing = list(difference_lines(habits))
    lines += ["", *differing] if differing else []
    lines += ["", _others(compared)] if compared.also_failed else []
    head = [_head(compared, runs), ""]
    return "".join(f"{each}\n" for line in [*head, *lines] for each in _fitted(line, width))


def _head(compared: Comparison, runs: int) -> str:
    failed = sum(life.failed for life in compared.lives)
    lives = counted(len(compared.lives), "life", "lives")
    return (
        f"{printable(compared.device)}: {lives} in {counted(runs, 'run')}, {failed} failed, "
        f"{len(compared.lives) - failed} had not ended"
    )


def _table(lives: Sequence[Life]) -> Iterator[str]:
    rows = [_HEADS, *(_cells(life) for life in lives)]
    widths = [max(cell_len(row[k]) for row in rows) for k in range(len(_HEADS))]
    for row in rows:
        cells = []
        for k, (cell, width) in enumerate(zip(row, widths, strict=True)):
            room = " " * (width - cell_len(cell))
            cells.append(cell + room if k < _LEFT else room + cell)
        yield "  ".join(cells).rstrip()


def _cells(life: Life) -> tuple[str, ...]:
    polls = life.counts.get(POLLS, 0.0)
    return (
        printable(life.run),
        life.zero,
        life.how if life.failed else "still answering",
        in_words(life.elapsed_ns),
        f"{polls:,.0f}",
        f"{life.counts.get('transactions', 0.0):,.0f}",
        power_words(polls) if life.failed and polls >= 1 else "",
    )


def power_words(count: float) -> str:
    """`2,048 - 1`, `2,048`, `4,096 - 31 %`: a power of two, and how far from it a count is."""
    power = nearest_power(count)
    away = round(count - power)
    if not away:
        return f"{power:,}"
    small = abs(away) <= max(16, power // 1000)
    far = f"{abs(away):,}" if small else f"{abs(away) / power:.0%}".replace("%", " %")
    return f"{power:,} {'-' if away < 0 else '+'} {far}"


def _verdict(compared: Comparison) -> Iterator[str]:
    first, *rest = verdict_words(compared.verdict, compared.lives)
    yield printable(first)
    for sentence in rest:
        yield f"  {printable(sentence)}"


def _laws(compared: Comparison) -> Iterator[str]:
    if compared.clean is not None:
        yield printable(clean_run_words(compared.clean))
    if compared.weibull is not None:
        yield from _weibull(compared.weibull)
    elif compared.verdict.failures >= FEWEST_FITTED:
        yield "Lifetimes: all ended alike, which leaves no spread to fit."
    else:
        yield f"Lifetimes: a law is fitted to {FEWEST_FITTED} failures or more."
    if compared.verdict.failures >= FEWEST_FITTED:
        yield _median(compared.survival)


def _weibull(law: Weibull) -> Iterator[str]:
    shape, chance = law.shape, law.p_memoryless
    reading = (
        "chance (a shape of 1) is tenable"
        if chance > 0.05
        else "the longer it ran the likelier it stops"
        if shape.value > 1
        else "what ran long is likely to go on"
    )
    yield (
        f"Lifetimes by a Weibull law, 95 % by profile likelihood: shape {shape.value:.2g} "
        f"({_ends(shape, '{:.2g}'.format)}); {reading}, p {chance:.2g}."
    )
    parts = (("mean", law.mean), ("median", law.median), ("a tenth stopped by", law.b10))
    said = [f"{name} {in_words(part.value)} ({_ends(part, in_words)})" for name, part in parts]
    yield f"  {'; '.join(said)}"


def _ends(interval: Interval, said: Callable[[float], str]) -> str:
    return " to ".join(
        "open" if math.isinf(end) else said(end) for end in (interval.low, interval.high)
    )


def _median(survival: Survival) -> str:
    if survival.median is None:
        return "Half of them had stopped (Kaplan-Meier): not yet, more than half still answered."
    low, high = survival.median_range
    ends = " to ".join("open" if end is None else in_words(end) for end in (low, high))
    return (
        f"Half of them had stopped (Kaplan-Meier) after {in_words(survival.median)} "
        f"(95 %, log-log: {ends})."
    )


def _others(compared: Comparison) -> str:
    shown = compared.also_failed[:_MOST_OTHERS]
    names = [f"{printable(name)} ({counted(n, 'time')})" for name, n in shown]
    more = len(compared.also_failed) - len(shown)
    tail = f" and {more} more" if more else ""
    return f"Also stopped: {', '.join(names)}{tail}; --device shows another."


def _fitted(line: str, width: int | None) -> list[str]:
    """A sentence wrapped; a row of a table, which has columns, as it is."""
    return [line] if "  " in line.strip() else wrapped(line, width)
