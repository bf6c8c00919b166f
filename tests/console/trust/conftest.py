"""Runs that several test modules damage."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from console.pipeline.evidence import Evidence
from tests.console.trust.runs import Files, Intact, evidence_of, short_run

SEEDS = (0, 5)

Read = Callable[[Files], Evidence]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """What the program makes of files, written beside a bench file."""
    return lambda files: evidence_of([files.write(tmp_path)])


@pytest.fixture(scope="session", params=SEEDS)
def intact(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Intact:
    """A whole run."""
    files = Files.of(short_run(request.param))
    folder = tmp_path_factory.mktemp(f"run{request.param}")
    return Intact(files, evidence_of([files.write(folder)]))
