"""Errors a user can mend: where, what, and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """Where in an input; line and column count from 1, a line feed ends its own line."""

    name: str  # file name as the user gave it, or what stands for it ("<stdin>")
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        parts = [self.name]
        if self.line is not None:
            parts.append(str(self.line))
            if self.column is not None:
                parts.append(str(self.column))
        return ":".join(parts)


class DiagnosticError(Exception):
    """Base of every error a user can mend.

    Args:
        message: what is wrong, one clause, no full stop.
        place: where, when it can be told.
        mend: how to mend it, one or two sentences.
    """

    def __init__(self, message: str, *, place: Place | None = None, mend: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.mend = mend

    def __str__(self) -> str:
        head = f"{self.place}: {self.message}" if self.place else self.message
        return f"{head}\n{self.mend}" if self.mend else head


class CaptureError(DiagnosticError):
    """A level capture that cannot be read."""


class DescriptionError(DiagnosticError):
    """A bench file or packet description that is refused."""


class RecordingError(DiagnosticError):
    """A serial log or message recording that cannot be read."""
