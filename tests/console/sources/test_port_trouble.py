"""Ports that cannot be opened say why, and what to do."""

from __future__ import annotations

import grp
import os
import socket
import subprocess
import termios
from pathlib import Path

import pytest

from console.bench.model import PrintsSource
from console.bench.ports import parsed_port
from console.sources.port_opened import open_port
from console.sources.port_trouble import PortError, gone, refused_device, refused_network
from tests.console.sources.live import Pty, point


def refused(port: str) -> PortError:
    with pytest.raises(PortError) as caught:
        open_port(parsed_port(port), PrintsSource(name="board", port=port, baud=115_200))
    return caught.value


def test_a_port_that_is_not_there_names_the_closest_one(tmp_path: Path) -> None:
    pty = Pty()
    point(tmp_path / "usb-cap-line-if00", pty.path)
    error = refused(str(tmp_path / "usb-cap-lime-if00"))
    pty.unplug()
    assert error.message == "no such port"
    assert error.mend.startswith(f"Did you mean '{tmp_path / 'usb-cap-line-if00'}'? Ports here: ")


def test_a_folder_that_is_not_there_is_no_such_port(tmp_path: Path) -> None:
    assert refused(str(tmp_path / "by-id" / "usb")).message == "no such port"


def test_a_file_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "board.log").write_bytes(b"")
    assert refused(str(tmp_path / "board.log")).message == "it is not a serial port but a file"


def test_a_folder_is_no_port(tmp_path: Path) -> None:
    assert refused(str(tmp_path)).message == "it is not a serial port but a directory"


def test_a_device_that_is_no_serial_port_is_told() -> None:
    error = refused("/dev/null")
    assert error.message == "it is not a serial port"
    assert error.mend == "Name the device of a serial adapter."


def test_a_port_that_another_program_holds_names_it() -> None:
    pty = Pty()
    holder = subprocess.Popen(
        ["flock", "--exclusive", pty.path, "cat"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdin is not None
    assert holder.stdout is not None
    holder.stdin.write(b"held\n")
    holder.stdin.flush()
    holder.stdout.readline()  # `cat` runs, so the lock is held
    error = refused(pty.path)
    holder.communicate()
    pty.unplug()
    assert error.message == "another program holds the port"
    assert error.mend.startswith("End it first: ")
    assert f"flock ({holder.pid})" in error.mend


def test_no_permission_names_the_group_to_join(tmp_path: Path) -> None:
    path = tmp_path / "tty"
    path.write_bytes(b"")
    group = os.getgid() or max(g.gr_gid for g in grp.getgrall() if g.gr_gid < 60_000)
    os.chown(path, -1, group)
    path.chmod(0o660)
    name = grp.getgrgid(group).gr_name
    error = refused_device(parsed_port(str(path)), PermissionError(13, "Permission denied"))
    assert error.message == "no permission to open it"
    assert (
        error.mend == f"Join the group '{name}' (sudo usermod -aG {name} $USER), then log in again."
    )


def test_no_permission_for_any_group_asks_for_a_rule(tmp_path: Path) -> None:
    path = tmp_path / "tty"
    path.write_bytes(b"")
    path.chmod(0o600)
    error = refused_device(parsed_port(str(path)), PermissionError(13, "Permission denied"))
    assert error.mend == "It is for its owner alone: give it a group by a udev rule."


@pytest.mark.parametrize(
    "error", [ValueError("Invalid baud rate: 7"), termios.error(22, "Invalid argument")]
)
def test_settings_the_device_does_not_take_are_not_tried_again(error: Exception) -> None:
    told = refused_device(parsed_port("/dev/ttyUSB0"), error)
    assert told.message == "the device does not take these settings"
    assert told.lasting


def test_an_error_nobody_foresaw_is_told_in_the_words_of_the_system() -> None:
    told = refused_device(parsed_port("/dev/ttyUSB0"), OSError(12, "whatever"))
    assert told.message == "it cannot be opened (Cannot allocate memory)"


def test_a_network_port_where_nothing_listens_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    error = refused(f"socket://127.0.0.1:{number}")
    assert error.message == f"nothing listens on 127.0.0.1 port {number}"


def test_rfc2217_where_nothing_listens_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    error = refused(f"rfc2217://127.0.0.1:{number}")
    assert error.message == f"nothing listens on 127.0.0.1 port {number}"


def test_an_unknown_host_is_told() -> None:
    port = parsed_port("socket://cap-line.invalid:4001")
    error = refused_network(port, socket.gaierror(-2, "Name or service not known"))
    assert error.message == "unknown host 'cap-line.invalid'"


# A label of a host name has at most 63 characters (RFC 1035 section 2.3.4).
def test_a_host_name_that_cannot_be_is_told_without_asking_anybody() -> None:
    host = "a" * 64 + ".invalid"
    assert refused(f"socket://{host}:4001").message == f"unknown host '{host}'"


def test_no_answer_is_told() -> None:
    error = refused_network(parsed_port("socket://10.0.0.9:4001"), TimeoutError("timed out"))
    assert error.message == "no answer from 10.0.0.9 port 4001"


@pytest.mark.parametrize(
    ("port", "error", "words"),
    [
        ("/dev/ttyUSB0", OSError(5, "x"), "the device went away"),
        ("socket://h:1", OSError("end of stream"), "the other side closed the connection"),
        ("socket://h:1", ConnectionResetError(104, "x"), "the connection broke (Connection reset"),
    ],
)
def test_how_an_open_port_went_away_is_told(port: str, error: OSError, words: str) -> None:
    assert gone(parsed_port(port), error).line.startswith(words)


def test_an_error_names_its_port_in_its_place() -> None:
    assert str(refused("/dev/null")).startswith("/dev/null: it is not a serial port\n")
