"""The console's environment is the test's own."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def own_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A state directory that nothing else writes to; colour as if nobody had refused it."""
    home = tmp_path_factory.mktemp("state")
    monkeypatch.setenv("XDG_STATE_HOME", str(home))
    monkeypatch.delenv("NO_COLOR", raising=False)
    return home / "lastack"
