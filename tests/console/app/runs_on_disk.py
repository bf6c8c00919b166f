"""Small runs written to a folder: a board's log, a broker's messages, a wire."""

from __future__ import annotations

from pathlib import Path

LOG = "".join(f"[{k}000000] I poll {k}\n" for k in range(40))
MESSAGES = "".join(
    f'{{"t": {k}, "topic": "cellar/level", "payload": "{{\\"n\\": {k}}}"}}\n' for k in range(40)
)
BENCH = """
[bench]
name = "cellar"

[[source]]
name = "board"
kind = "prints"
path = "board.log"

[[source]]
name = "broker"
kind = "messages"
path = "broker.jsonl"
"""


def small_run(folder: Path) -> str:
    """Write a bench with two sources; its path."""
    (folder / "board.log").write_text(LOG)
    (folder / "broker.jsonl").write_text(MESSAGES)
    bench = folder / "bench.toml"
    bench.write_text(BENCH)
    return str(bench)
