"""Severity words as firmware prints them: `E (123)`, `[WARN]`, `ERROR:`, `I/tag`, `<4>`."""

from __future__ import annotations

import re

_ERROR, _WARNING, _INFO, _DEBUG = 1, 2, 3, 4  # index into columns.LEVELS
_CODES = {
    **dict.fromkeys(("emerg", "alert", "fatal", "panic", "critical", "crit"), _ERROR),
    **dict.fromkeys(("error", "err", "e", "f"), _ERROR),
    **dict.fromkeys(("warning", "warn", "wrn", "w"), _WARNING),
    **dict.fromkeys(("notice", "info", "inf", "i"), _INFO),
    **dict.fromkeys(("debug", "dbg", "trace", "verbose", "d", "t", "v"), _DEBUG),
    # RFC 5424 section 6.2.1 table 2: 0 emergency, 3 error, 4 warning, 5 notice, 6 info, 7 debug
    **dict.fromkeys("0123", _ERROR),
    "4": _WARNING,
    **dict.fromkeys("56", _INFO),
    "7": _DEBUG,
}
_WORDS = sorted((word for word in _CODES if len(word) > 1), key=len, reverse=True)
_ANY = "(?:" + "|".join(w for word in _WORDS for w in (word, word.upper(), word.title())) + ")"
_CAPITALS = "(?:" + "|".join(word.upper() for word in _WORDS) + ")"
_LETTER = "[EFWIDTV]"

# Where a level may stand before a stamp; `level_code` says whether it is one.
LEVEL_BEFORE = r"\[ *[A-Za-z]{1,9} *\]|<[0-7]>|[A-Za-z]{1,9}"

# At the head of a text; a bare word only in capitals, and a letter only with its mark: prose
# begins with `I` and `error` too. Group 1 is the level with its marks.
LEVEL_AT_HEAD = (
    r"^(?:\x1b\[[0-9;]*m)*[ \t]*("
    rf"\[ *(?:{_ANY}|{_LETTER}) *\]|<(?:{_ANY}|{_LETTER}|[0-7])>|\( *{_ANY} *\)"
    rf"|{_ANY}:|{_LETTER}[:/]|{_CAPITALS}(?:[^A-Za-z0-9_]|$))"
)


def level_code(text: str) -> int:
    """Index into LEVELS of a level as it was printed, marks and all; 0 when it is none."""
    return _CODES.get(re.sub(r"[^a-z0-9]", "", text.lower()), 0)
