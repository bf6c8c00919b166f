from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from console.app.state.kept import Kept, KeptAnchor, KeptDecisions, KeptOffset, Mark
from console.app.state.kept_file import KeptFile, encoded

ROOT = Path(__file__).resolve().parents[3]
NOBODY = 65534  # the overflow id of the kernel, which owns nothing
WHOLE = Kept(
    marks=[Mark(3_000_000_000, "it twitched here")],
    columns=["camera", "controller"],
    hidden=["broker"],
    acknowledged={"limits camera x": "known"},
    decisions={
        "broker": KeptDecisions(
            rejected=(KeptAnchor("n", "wire", 5),),
            accepted=(KeptAnchor("n", "wire", 7),),
            placed=(KeptOffset(1, 2),),
        )
    },
    place_ns=7,
    depth="bits",
    filter="party = 'camera'",
)


def file_of(folder: Path, *paths: str, is_ours: bool = False) -> KeptFile:
    return KeptFile.of([str(folder / path) for path in paths], folder / "home", is_ours=is_ours)


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    file = file_of(tmp_path, "bench.toml")
    assert file.write(encoded(WHOLE)) == ""
    assert file.read() == (WHOLE, "")


def test_a_bench_file_has_its_state_beside_it(tmp_path: Path) -> None:
    file_of(tmp_path, "bench.toml").write(encoded(WHOLE))
    assert os.listdir(tmp_path) == ["bench.lastack.json"]


def test_loose_files_have_theirs_at_home_whatever_their_order(tmp_path: Path) -> None:
    file_of(tmp_path, "a.csv", "b.log").write(encoded(WHOLE))
    assert os.listdir(tmp_path) == ["home"]
    assert file_of(tmp_path, "b.log", "a.csv").read() == (WHOLE, "")
    assert file_of(tmp_path, "a.csv").read() == (Kept(), "")


def test_nothing_is_written_beside_what_came_with_the_program(tmp_path: Path) -> None:
    file = file_of(tmp_path, "bench.toml", is_ours=True)
    file.write(encoded(WHOLE))
    assert os.listdir(tmp_path) == ["home"]
    assert file.read() == (WHOLE, "")


def test_a_name_too_long_for_one_beside_it_is_kept_at_home(tmp_path: Path) -> None:
    file = file_of(tmp_path, "b" * 250 + ".toml")  # NAME_MAX is 255
    assert file.write(encoded(WHOLE)) == ""
    assert os.listdir(tmp_path) == ["home"]


def test_of_two_the_newer_one_counts(tmp_path: Path) -> None:
    file = file_of(tmp_path, "bench.toml")
    assert file.beside is not None
    file.home.parent.mkdir(parents=True)
    file.home.write_bytes(encoded(WHOLE))
    file.beside.write_bytes(encoded(Kept()))
    os.utime(file.beside, ns=(0, 0))
    assert file.read() == (WHOLE, "")


def test_a_broken_one_gives_way_to_the_other_and_is_told(tmp_path: Path) -> None:
    file = file_of(tmp_path, "bench.toml")
    assert file.beside is not None
    file.home.parent.mkdir(parents=True)
    file.home.write_bytes(encoded(WHOLE))
    file.beside.write_bytes(b"junk")
    os.utime(file.home, ns=(0, 0))
    kept, remark = file.read()
    assert kept == WHOLE
    assert remark.startswith(f"{file.beside}: not a state file")


def test_where_nothing_can_be_written_that_is_told(tmp_path: Path) -> None:
    (tmp_path / "home").write_text("a file where the state directory should be")
    assert "nothing can be kept here" in file_of(tmp_path, "a.csv").write(b"{}")


READ_ONLY = """
import os, sys, tempfile
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from console.app.state.kept import Kept
from console.app.state.kept_file import KeptFile, encoded
with tempfile.TemporaryDirectory() as top:
    os.chmod(top, 0o755)
    run, home = Path(top, "run"), Path(top, "home")
    run.mkdir(mode=0o555); home.mkdir(mode=0o777); os.chmod(home, 0o777)
    if os.geteuid() == 0:
        os.seteuid(int(sys.argv[2]))
    file = KeptFile.of([str(run / "bench.toml")], home)
    remark = file.write(encoded(Kept(filter="kept")))
    print([remark, os.listdir(run), file.home.exists(), file.read()[0].filter])
    if os.getuid() == 0:
        os.seteuid(0)
    os.chmod(run, 0o755)
"""


def test_beside_a_run_that_is_read_only_nothing_is_written_and_it_is_kept_at_home() -> None:
    # Root may write anywhere, so the program becomes nobody before it writes.
    run = subprocess.run(
        [sys.executable, "-c", READ_ONLY, str(ROOT), str(NOBODY)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout == "['', [], True, 'kept']\n"
