"""The console as a user starts it: in a terminal, killed, piped into, without one."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest

from tests.console.app.in_terminal import LASTACK, InTerminal
from tests.console.app.runs_on_disk import LOG, small_run

ROOT = Path(__file__).resolve().parents[3]
LEFT_SCREEN = b"\x1b[?1049l"  # xterm: back from the alternate screen
Lastack = Callable[..., "CompletedProcess[str]"]


def console(home: Path, *arguments: str, **environment: str) -> InTerminal:
    """The program in a terminal of its own."""
    return InTerminal(
        [*LASTACK, *arguments],
        {"XDG_STATE_HOME": str(home), "PYTHONPATH": str(ROOT), "NO_COLOR": "", **environment},
        columns=100,
        rows=30,
    )


def test_a_path_in_place_of_a_command_is_opened_and_q_ends_with_0(tmp_path: Path) -> None:
    with console(tmp_path / "state", small_run(tmp_path)) as run:
        run.until("order known to")
        run.press("q")
        assert run.ended() == 0
        assert LEFT_SCREEN in run.drawn


def test_alone_it_shows_the_start_screen(tmp_path: Path) -> None:
    with console(tmp_path / "state") as run:
        run.until("or look around")
        run.press("q")
        assert run.ended() == 0


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGTERM, 143), (signal.SIGHUP, 129), (signal.SIGINT, 130)]
)
def test_a_signal_leaves_the_terminal_in_order(
    number: signal.Signals, code: int, tmp_path: Path
) -> None:
    with console(tmp_path / "state") as run:
        run.until("or look around")
        os.kill(run.pid, number)
        assert run.ended() == code
        assert LEFT_SCREEN in run.drawn


def test_a_mark_survives_a_kill(tmp_path: Path) -> None:
    bench = small_run(tmp_path)
    program = tmp_path / "marks.py"
    program.write_text(
        "import sys\n"
        "from pathlib import Path\n"
        "from console.app.app import LastackApp\n"
        "from console.app.state.kept import Mark\n"
        "from console.app.state.request import Request\n"
        "before = LastackApp.watch_view\n"
        "def watch_view(self, view):\n"
        "    before(self, view)\n"
        "    if view is not None:\n"
        "        self.kept.marks = [Mark(7, 'before the kill')]\n"
        "        self.keep()\n"
        "        self.notify('marked it')\n"
        "LastackApp.watch_view = watch_view\n"
        "LastackApp(Request((sys.argv[1],)), home=Path(sys.argv[2])).run()\n"
    )
    state, begin = tmp_path / "bench.lastack.json", time.monotonic()
    command = [LASTACK[0], str(program), bench, str(tmp_path / "state")]
    with InTerminal(command, {"PYTHONPATH": str(ROOT)}) as run:
        run.until("marked it")
        while not state.exists() and time.monotonic() - begin < 60:
            time.sleep(0.01)
        os.kill(run.pid, signal.SIGKILL)
        assert run.ended() == -signal.SIGKILL
    assert "before the kill" in state.read_text()


def test_what_is_piped_in_is_read_and_the_keyboard_still_works(tmp_path: Path) -> None:
    log = tmp_path / "board.log"
    log.write_text(LOG)
    command = f"cat '{log}' | '{LASTACK[0]}' -m console.cli open -"
    environment = {"XDG_STATE_HOME": str(tmp_path / "state"), "PYTHONPATH": str(ROOT)}
    with InTerminal(["sh", "-c", command], environment) as run:
        run.until("I poll 3")
        run.press("q")
        assert run.ended() == 0


def test_leaving_while_a_pipe_stalls_is_prompt(tmp_path: Path) -> None:
    pipe = tmp_path / "board.log"
    os.mkfifo(pipe)
    with console(tmp_path / "state", "open", str(pipe)) as run:
        run.until("opening")
        run.press("q")
        assert run.ended(timeout_s=10) == 0


def test_an_error_in_the_bench_is_shown_and_the_console_goes_on(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text('[bench]\nnmae = "x"\n')
    command = [*LASTACK, "bench.toml"]
    environment = {"XDG_STATE_HOME": str(tmp_path / "state"), "PYTHONPATH": str(ROOT)}
    with InTerminal(["env", f"--chdir={tmp_path}", *command], environment) as run:
        run.until("or look around")
        run.until("bench.toml:2")
        run.press("q")
        assert run.ended() == 0


def test_without_colour_no_colour_code_is_drawn(tmp_path: Path) -> None:
    with console(tmp_path / "state", NO_COLOR="1") as run:
        run.until("or look around")
        assert b"\x1b[38;" not in run.drawn
        assert b"\x1b[48;" not in run.drawn
        assert b";48;2;" not in run.drawn


def test_an_ascii_locale_is_drawn_to_in_ascii(tmp_path: Path) -> None:
    with console(tmp_path / "state", LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0") as run:
        run.until("or look around")
        run.until(".-..-.")


def test_the_demo_opens_the_console_on_a_terminal(tmp_path: Path) -> None:
    with console(tmp_path / "state", "demo") as run:
        run.until("not published")  # the whole run is there, with its links
        run.press("n")
        run.until("04:5")
        run.press("q")
        assert run.ended() == 0
    assert sorted(os.listdir(tmp_path / "state" / "lastack")) == ["runs"]


def test_on_a_dumb_terminal_the_demo_is_text(tmp_path: Path) -> None:
    with console(tmp_path / "state", "demo", TERM="dumb") as run:
        run.until("2 faults, 6 warnings")
        assert run.ended() == 1
        assert b"\x1b[?1049h" not in run.drawn


def test_what_is_not_there_is_told_before_the_screen_is_taken(tmp_path: Path) -> None:
    with console(tmp_path / "state", "open", str(tmp_path / "nowhere.csv")) as run:
        run.until("nowhere.csv: no such file")
        assert run.ended() == 2
        assert b"\x1b[?1049h" not in run.drawn


@pytest.mark.parametrize("arguments", [("open", "{log}"), ("{log}",)])
def test_without_a_terminal_it_says_what_to_use_instead(
    arguments: tuple[str, ...], lastack: Lastack, tmp_path: Path
) -> None:
    log = tmp_path / "board.log"
    log.write_text(LOG)
    run = lastack(*(word.format(log=log) for word in arguments))
    assert (run.returncode, run.stdout) == (2, "")
    assert "the console needs a terminal" in run.stderr
    assert "lastack check" in run.stderr


def test_alone_without_a_terminal_it_is_the_help(lastack: Lastack) -> None:
    run = lastack()
    assert run.returncode == 2
    assert "Examples:" in run.stderr


@pytest.mark.parametrize(
    ("word", "hint"),
    [("chekc", "'check'"), ("wier.csv", "'wire.csv'"), ("./wier.csv", "'./wire.csv'")],
)
def test_a_mistyped_command_or_file_gets_the_closest_one(
    word: str, hint: str, lastack: Lastack, tmp_path: Path
) -> None:
    (tmp_path / "wire.csv").touch()
    run = lastack(word, cwd=tmp_path, environment={"PYTHONPATH": str(ROOT)})
    assert run.returncode == 2
    assert f"No such command or file {word!r}. Did you mean {hint}?" in run.stderr
