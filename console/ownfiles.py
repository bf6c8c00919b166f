"""Notice when another distribution's `console` or `decoders` stands in for ours.

Both import names are generic. Beside another distribution that installs the same name, files are
overwritten or shadowed without a word, and what then fails looks like a bug of ours.
"""

from __future__ import annotations

from pathlib import Path

from decoders.errors import DiagnosticError, Place

MARK = "lastack"  # every one of our top packages says whose it is


def check_own_files() -> None:
    """Refuse to go on when `decoders` is not the one that came with this `console`.

    Raises:
        DiagnosticError: naming the file that stands in for ours, and how to mend it.
    """
    import captures_demo
    import console
    import decoders

    ours = Path(console.__file__ or "").resolve().parent.parent
    for package in (console, decoders, captures_demo):
        where = Path(package.__file__ or "").resolve()
        if getattr(package, "DISTRIBUTION", None) != MARK or where.parent.parent != ours:
            raise DiagnosticError(
                f"another package named '{package.__name__}' stands in for lastack's own",
                place=Place(str(where)),
                mend="Install lastack into an environment of its own, see README's first command.",
            )
