from __future__ import annotations

from pathlib import Path

import pytest

from console.run.lock import RecorderLock


def test_a_lock_is_held_once_and_free_after_release(tmp_path: Path) -> None:
    first = RecorderLock(tmp_path)
    with pytest.raises(BlockingIOError):
        RecorderLock(tmp_path)
    first.release()
    RecorderLock(tmp_path).release()


def test_a_failed_try_does_not_free_the_holders_lock(tmp_path: Path) -> None:
    # Bare fcntl locks go when any descriptor of the file is closed (fcntl(2), record locks).
    first = RecorderLock(tmp_path)
    for _ in range(2):
        with pytest.raises(BlockingIOError):
            RecorderLock(tmp_path)
    first.release()
