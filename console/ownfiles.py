"""Notice when another distribution's `console` or `decoders` stands in for ours.

Both import names are generic. Beside another distribution that installs the same name, files are
overwritten or shadowed without a word, and what then fails looks like a bug of ours. So this is
looked at before anything else of ours is imported.
"""

from __future__ import annotations

import importlib
from pathlib import Path

MARK = "lastack"  # what each of our packages says of itself
PACKAGES = ("console", "decoders", "captures_demo")


def foreign_package() -> str | None:
    """What is wrong and how to mend it when a package is not ours; None when all are."""
    ours = Path(__file__).resolve().parent.parent
    for name in PACKAGES:
        package = importlib.import_module(name)
        where = Path(package.__file__ or "nowhere").resolve()
        if getattr(package, "DISTRIBUTION", None) != MARK or where.parent.parent != ours:
            return (
                f"{where}: another package named '{name}' stands in for lastack's own\n"
                "Install lastack into an environment of its own: see README's first command."
            )
    return None
