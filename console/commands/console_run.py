"""Run the console in this process's terminal and give its exit code."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

from console.commands.terminal import draws_ascii_only, take_terminal

if TYPE_CHECKING:
    from console.app.state.request import Request
    from console.pipeline.recording import Recording

PATIENCE_S = 0.5  # for a thread that still reads
RECORDING_PATIENCE_S = 10.0  # where there is more to do before the process may end


def run_console(
    request: Request | None = None,
    *,
    ascii_only: bool = False,
    recording: Recording | None = None,
) -> int:
    """Open the console on a request, on the start screen without one.

    Args:
        request: what to open.
        ascii_only: whether to draw with ASCII alone.
        recording: the recording of what is opened, where this process does it.

    Returns:
        0 after the user quit, 1 after a crash, 128 + number after a signal.

    Raises:
        DiagnosticError: where there is no terminal.
    """
    take_terminal()
    # Not before: the toolkit reads the environment when it is imported.
    from console.app.app import LastackApp
    from console.app.state.state_files import state_home

    app = LastackApp(
        request,
        starts=request is None,
        ascii_only=ascii_only or draws_ascii_only(),
        home=state_home(),
        recording=recording,
    )
    app.run()
    app.leave()
    code = app.return_code or 0
    patience_s = PATIENCE_S if recording is None else RECORDING_PATIENCE_S
    if app.loader is not None and not app.loader.join(patience_s) and recording is None:
        _end_at_once(code)
    return code


def _end_at_once(code: int) -> None:
    """End without waiting for a thread that is deep in native code.

    The interpreter would end such a thread when it comes back, within frames that cannot be undone,
    and abort. Everything that is kept was written.
    """
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(code)
