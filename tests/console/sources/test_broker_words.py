from __future__ import annotations

import errno
import socket
import ssl

import pytest

from console.bench.model import MessagesSource
from console.sources.broker_words import denied, ended, no_connection, refused, where

SOURCE = MessagesSource(name="broker", host="broker.example", password_env=None)
SOURCE_5 = MessagesSource(name="broker", host="broker.example", protocol="5")


@pytest.mark.parametrize(
    ("host", "tls", "words"),
    [
        ("broker.example", False, "broker.example:1883"),
        ("broker.example", True, "broker.example:8883"),
        ("::1", False, "[::1]:1883"),
    ],
)
def test_a_broker_is_named_by_host_and_port(host: str, tls: bool, words: str) -> None:
    assert where(MessagesSource(name="b", host=host, tls=tls)) == words


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (
            ConnectionRefusedError(111, "Connection refused"),
            "nothing listens on broker.example:1883. Is the broker running, the port right?",
        ),
        (
            socket.gaierror(-2, "Name or service not known"),
            "no address found for 'broker.example'. Look at host, and at the DNS",
        ),
        (TimeoutError("timed out"), "no answer from broker.example:1883 within 10 s. Is it"),
        (
            OSError(errno.EHOSTUNREACH, "No route to host"),
            "no way to broker.example:1883: No route to host. Look at cable and network",
        ),
        (OSError(errno.EACCES, "Permission denied"), "broker.example:1883: Permission denied"),
        (UnicodeError("label too long"), "UnicodeError: label too long. Look at host"),
        (ssl.SSLError(1, "odd"), "TLS with broker.example:1883 failed: "),
    ],
)
def test_trouble_with_connecting_is_one_line_with_its_mend(error: Exception, words: str) -> None:
    line = str(no_connection(error, SOURCE, 10.0))
    assert words in line
    assert "\n" not in line


# MQTT 5.0 section 2.4: reason codes of CONNACK and DISCONNECT
@pytest.mark.parametrize(
    ("code", "name", "mend"),
    [
        (0x84, "Unsupported protocol version", '. Say protocol = "3.1.1"'),
        (0x85, "Client identifier not valid", ". Say another client_id"),
        (0x86, "Bad user name or password", ". Look at username"),
        (0x88, "Server unavailable", ". The broker says it will be back"),
        (0x95, "Packet too large", ""),
    ],
)
def test_a_reason_code_is_told_by_name_number_and_mend(code: int, name: str, mend: str) -> None:
    line = refused(code, name, SOURCE_5)
    assert line.startswith(f"broker.example:1883 refuses: {name[0].lower()}{name[1:]} (0x{code:X})")
    assert line.partition(f"(0x{code:X})")[2].startswith(mend)
    assert bool(line.partition(f"(0x{code:X})")[2]) == bool(mend)


def test_the_other_version_is_offered() -> None:
    assert refused(0x84, "Unsupported protocol version", SOURCE).endswith('Say protocol = "5"')


def test_a_broker_that_moved_is_told_with_where_to() -> None:
    moved = ended(0x9D, "Server moved", SOURCE_5, moved="other.example")
    assert moved == "the broker ended it: server moved (0x9D). It names another: other.example"


def test_a_topic_that_is_denied_is_named() -> None:
    assert denied("a/#", 0x87, "Not authorized", SOURCE_5, "no") == (
        "no messages of a/#: not authorized (0x87), no. "
        "Look at username and password; the broker's access list must have them"
    )


def test_a_broker_that_says_too_much_is_cut() -> None:
    assert len(refused(0x80, "Unspecified error", SOURCE_5, "x" * 65535)) < 300
