"""Sizes of free memory that firmware prints, and whether they fall."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes.printed_numbers import Course
from console.diagnosis.causes.run_facts import RunFacts

MEMORY = r"(?i)heap|free|block|largest|mem"


def shrinking(run: RunFacts) -> Course | None:
    """The first printed size of memory that falls over the run; None when none does."""
    return next((each for each in sizes(run) if each.falling), None)


def sizes(run: RunFacts) -> list[Course]:
    """The sizes of memory that are printed again and again."""
    return [each for each in run.courses if _is_memory(each)]


def _is_memory(course: Course) -> bool:
    """By the engine that prints are searched with."""
    return bool(pl.Series([course.name]).str.contains(MEMORY)[0])
