"""Proposed rules as bench-file text, each with what it rests on as comments above it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from console.bench.quoting import quoted
from console.printable import printable


@dataclass(frozen=True, slots=True)
class Proposed:
    """A rule to propose."""

    why: tuple[str, ...]  # sentences, from outside and not cleaned
    keys: Mapping[str, str | int | float]  # in the order they are written, `kind` first
    left_out: str = ""  # why it is written as a comment alone

    def without(self, why: str) -> Proposed:
        """The same, written as a comment, with the reason."""
        return replace(self, left_out=why)


def proposed_text(head: Sequence[str], rules: Sequence[Proposed]) -> str:
    """A file of rules: for `--rules`, or to be added to a bench file.

    Args:
        head: what stands above them all, as sentences.
        rules: in the order to write them.
    """
    lines = [_comment(sentence) for sentence in head]
    for rule in rules:
        lines += ["", *_rule(rule)]
    if not any(not rule.left_out for rule in rules):
        lines += ["", "# Nothing here comes often or evenly enough to propose a rule for."]
    return "\n".join(lines) + "\n"


def _rule(rule: Proposed) -> Iterator[str]:
    for sentence in rule.why:
        yield _comment(sentence)
    if rule.left_out:
        yield _comment(rule.left_out)
    mark = "# " if rule.left_out else ""
    yield f"{mark}[[rule]]"
    for key, value in rule.keys.items():
        yield f"{mark}{key} = {quoted(value) if isinstance(value, str) else value}"


def _comment(text: str) -> str:
    return "# " + printable(text)
