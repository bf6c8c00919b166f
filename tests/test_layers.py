"""Imports go down only, and what must start fast imports little."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# A room imports from rooms of a lower number alone, or from itself.
LEVELS = {
    "decoders.errors": 0,
    "decoders.durations": 0,
    "decoders.plain_sums": 1,
    "decoders.checkcodes": 2,
    "decoders.toml_scan": 1,
    "decoders.toml_lines": 2,
    "decoders.captures": 3,
    "decoders.buses": 4,
    "decoders.packets": 5,
    "decoders.messages": 6,
    "decoders.prints": 7,
    "console.printable": 8,
    "console.ownfiles": 8,
    "console.streams": 8,
    "console.bench": 9,
    "console.sources": 10,
    "console.run": 11,
    "console.timeline": 12,
    "console.trust": 13,
    "console.watch": 14,
    "console.diagnosis": 15,
    "console.pipeline": 16,
    "console.report": 17,
    "console.app": 18,
    "console.commands": 19,
    "console.cli": 20,
}
DEMO = "captures_demo"


def modules() -> list[tuple[str, Path]]:
    found = []
    for top in ("decoders", "console", "captures_demo"):
        for path in sorted((ROOT / top).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found.append((".".join(p for p in parts if p != "__init__"), path))
    return found


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def room(module: str) -> str | None:
    return next((r for r in LEVELS if module == r or module.startswith(r + ".")), None)


@pytest.mark.parametrize(("module", "path"), modules(), ids=[m for m, _ in modules()])
def test_imports_go_down_only(module: str, path: Path) -> None:
    own = room(module)
    names = imported(path)
    wrong = []
    for name in names:
        other = room(name)
        if own and other and other != own and LEVELS[other] >= LEVELS[own]:
            wrong.append(name)
        if module.startswith(DEMO + ".") and name.split(".")[0] in ("decoders", "console"):
            wrong.append(name)
        if module.startswith("decoders") and name.split(".")[0] in ("console", "serial", "paho"):
            wrong.append(name)
        if name.split(".")[0] == "textual" and not module.startswith("console.app"):
            wrong.append(name)
    assert wrong == []


def test_every_room_has_a_level() -> None:
    tops = {"decoders", "console"}
    homeless = [
        m for m, _ in modules() if m.split(".")[0] in tops and m not in tops and room(m) is None
    ]
    assert homeless == []


def test_no_two_modules_import_each_other() -> None:
    graph = {m: {n for n in imported(p) if n != m} for m, p in modules()}
    known = set(graph)
    edges = {m: {n for n in names if n in known} for m, names in graph.items()}
    pairs = sorted({tuple(sorted((a, b))) for a in edges for b in edges[a] if a in edges[b]})
    assert pairs == []


def loaded_after(code: str) -> set[str]:
    """Modules loaded in a fresh interpreter after `code`."""
    program = f"{code}\nimport sys; print(' '.join(sorted(sys.modules)))"
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return set(run.stdout.splitlines()[-1].split())


@pytest.mark.parametrize("argument", ["--help", "--version"])
def test_help_and_version_load_nothing_heavy(argument: str) -> None:
    code = (
        "import sys\nfrom console.cli import cli\n"
        f"sys.argv = ['lastack', {argument!r}]\n"
        "try: cli()\nexcept SystemExit as end: assert not end.code"
    )
    heavy = {"numpy", "textual", "polars", "paho", "construct", "msgspec", "serial", "anycrc"}
    assert loaded_after(code) & heavy == set()


def test_the_first_picture_of_the_console_needs_only_its_toolkit() -> None:
    code = (
        "import console.cli, console.commands.demo, console.commands.console_run\n"
        "import console.app.app, console.app.screens.start, console.app.screens.opening"
    )
    assert loaded_after(code) & {"numpy", "polars", "construct", "anycrc", "paho"} == set()


def test_decoders_load_neither_console_nor_ports() -> None:
    code = "import pkgutil, importlib, decoders\n" + (
        "for m in pkgutil.walk_packages(decoders.__path__, 'decoders.'):"
        " importlib.import_module(m.name)"
    )
    assert loaded_after(code) & {"console", "textual", "serial", "paho"} == set()
