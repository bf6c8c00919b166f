"""Layouts of delimited captures made by hand."""

from __future__ import annotations

from decoders.captures.delimited_channels import Options
from decoders.captures.delimited_layout import Layout, layout_of
from decoders.captures.delimited_table import find_table

PLAIN = "time_ns,scl,sda\n0,1,1\n5,1,0\n9,0,0\n12,1,1\n"


def layout(text: str = PLAIN, options: Options | None = None) -> Layout:
    """How the rows of a text are read."""
    return layout_of("wire.csv", find_table("wire.csv", text), options or Options())
