"""Another package that stands in for ours is noticed at the start."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def run(folder: Path, *first: Path) -> subprocess.CompletedProcess[str]:
    code = f"import sys; sys.path[:0] = {[str(p) for p in (*first, ROOT)]!r}\n"
    code += "from console.cli import cli; cli(['check', 'nothing.csv'])"
    return subprocess.run(
        [sys.executable, "-S", "-c", f"import site; site.main()\n{code}"],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
    )


def test_a_foreign_decoders_package_is_named_with_the_mend(tmp_path: Path) -> None:
    shadow = tmp_path / "decoders"
    shadow.mkdir()
    ours = (ROOT / "decoders" / "errors.py").read_text()
    (shadow / "__init__.py").write_text("# somebody else's\n")
    (shadow / "errors.py").write_text(ours)
    (tmp_path / "elsewhere").mkdir()
    finished = run(tmp_path / "elsewhere", tmp_path)
    assert finished.returncode == 2
    assert "'decoders'" in finished.stderr
    assert "environment of its own" in finished.stderr
    assert "Traceback" not in finished.stderr


def test_our_own_files_pass(tmp_path: Path) -> None:
    finished = run(tmp_path)
    assert "no such file" in finished.stderr
