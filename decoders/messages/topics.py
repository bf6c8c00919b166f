"""MQTT topic filters (MQTT 3.1.1 section 4.7; shared subscriptions of MQTT 5.0 section 4.8.2)."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from decoders.messages.columns import Messages

LONGEST_BYTES = 65535  # section 4.7.3 [MQTT-4.7.3-3]
_SHARE = "$share"


def filter_problem(text: str) -> str:
    """Why a text is no topic filter, or "" when it is one.

    Empty, too long, with U+0000 or a lone surrogate: section 4.7.3; wildcards that are not a whole
    level, `#` before the end: section 4.7.1; a shared subscription without a name or a filter:
    MQTT 5.0 [MQTT-4.8.2-1, -2].
    """
    if not text:
        return "a topic filter is at least one character long"
    if "\0" in text or any(0xD800 <= ord(char) < 0xE000 for char in text):
        return "a topic filter holds no U+0000 and no surrogate"
    if len(text.encode()) > LONGEST_BYTES:
        return f"a topic filter is at most {LONGEST_BYTES} bytes long"
    levels = text.split("/")
    if levels[0] == _SHARE:
        if len(levels) < 3 or not levels[1] or "+" in levels[1] or "#" in levels[1]:
            return "a shared subscription is $share/name/filter, its name without + and #"
        return filter_problem("/".join(levels[2:]))
    for at, level in enumerate(levels):
        if level != "#" and "#" in level:
            return f"# is a whole level; {level!r} is not"
        if level == "#" and at < len(levels) - 1:
            return "# is the last level"
        if level != "+" and "+" in level:
            return f"+ is a whole level; {level!r} is not"
    return ""


class TopicFilter:
    """A topic filter, ready to match topic names.

    A shared subscription (`$share/name/filter`) matches as its filter.

    Args:
        text: the filter.

    Raises:
        ValueError: if it is none; the message says why.
    """

    def __init__(self, text: str) -> None:
        wrong = filter_problem(text)
        if wrong:
            raise ValueError(wrong)
        self.text = text
        levels = text.split("/")
        self._levels = levels[2:] if levels[0] == _SHARE else levels

    def matches(self, topic: str) -> bool:
        """Whether the filter matches a topic name: case counts, and so do empty levels."""
        names = topic.split("/")
        if topic.startswith("$") and self._levels[0] in ("+", "#"):
            return False  # [MQTT-4.7.2-1]
        for at, level in enumerate(self._levels):
            if level == "#":
                return True  # the parent too: at may be len(names)
            if at == len(names) or (level != "+" and level != names[at]):
                return False
        return len(self._levels) == len(names)

    def rows(self, messages: Messages) -> npt.NDArray[np.bool_]:
        """bool[n]: the messages whose topic matches; every distinct topic is matched once."""
        return self.column(messages.topics)[messages.topic]

    def column(self, topics: Iterable[str]) -> npt.NDArray[np.bool_]:
        """bool[k] for k topic names."""
        return np.array([self.matches(topic) for topic in topics], dtype=np.bool_)


def topic_matches(topic_filter: str, topic: str) -> bool:
    """Whether a filter matches a topic name. Raises ValueError if it is no filter."""
    return TopicFilter(topic_filter).matches(topic)
