"""A password, held so that it is not printed by chance."""

from __future__ import annotations

from collections.abc import Callable
from typing import NoReturn

from decoders.errors import DiagnosticError

LookUp = Callable[[str], str | None]  # of an environment variable; its repr shows no value


class Secret:
    """A text that shows itself only when asked by name: not in repr, a log, a copy or a pickle."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    @classmethod
    def looked_up(cls, variable: str, look_up: LookUp) -> Secret:
        """The value of an environment variable.

        Raises:
            DiagnosticError: if it is not set, or empty.
        """
        value = look_up(variable)
        if not value:
            state = "is not set" if value is None else "is empty"
            raise DiagnosticError(
                f"the environment variable {variable} {state}",
                mend=f"It holds the password; set it before the start: export {variable}=...",
            )
        return cls(value)

    def reveal(self) -> str:
        """The text itself; for the one call that needs it."""
        return self._text

    def hidden_in(self, text: str) -> str:
        """The text without the secret, should a broker or library have put it there."""
        return text.replace(self._text, "***") if self._text else text

    def __repr__(self) -> str:
        return "Secret()"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a secret is not copied or pickled")
