"""Which lines are damaged: bytes that printed text has none of."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from decoders.prints.lines import RawLines

# Teletype marks a console prints on purpose (BEL BS HT FF) are no damage; CR and LF end lines.
_SUSPECT = np.ones(256, dtype=np.bool_)
_SUSPECT[32:127] = False
_SUSPECT[[7, 8, 9, 10, 12, 13]] = False

# ECMA-48: CSI sequences (section 5.4), and the short escapes of terminals.
_ESCAPE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|[()][0-9A-Z]|[=>78DEHMc])")
# C0, DEL, C1, and the replacement character: what somebody could not decode before us.
_STRAY = re.compile(r"[\x00-\x06\x0b\x0e-\x1f\x7f-\x9f\ufffd]")


def damage(lines: RawLines) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which of n lines are damaged.

    Returns:
        bool[n]: has bytes that are no UTF-8, NUL, stray control bytes, C1 or U+FFFD; an escape
        sequence is no damage. bool[n]: has bytes that are no UTF-8.
    """
    damaged = np.zeros(len(lines), dtype=np.bool_)
    undecodable = np.zeros(len(lines), dtype=np.bool_)
    suspects = np.flatnonzero(_SUSPECT[np.frombuffer(lines.data, dtype=np.uint8)])
    if not len(suspects):
        return damaged, undecodable
    rows = np.unique(np.searchsorted(lines.first, suspects, side="right") - 1)
    for row in rows.tolist():  # 0.7 us each; only lines that have such a byte
        try:
            text = lines.row(row).decode("utf-8")
        except UnicodeDecodeError:
            undecodable[row] = damaged[row] = True
        else:
            damaged[row] = _STRAY.search(_ESCAPE.sub("", text)) is not None
    return damaged, undecodable
