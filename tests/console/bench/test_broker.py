"""What a message source may say of its broker, and what is refused with its line and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.broker import Tls
from console.bench.load import load_bench, read_bench
from console.bench.model import MessagesSource
from decoders.errors import DescriptionError

GOOD = """
[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"
protocol = "5"
topics = [
  "capline/#",
  { filter = "capline/caps/+", qos = 2 },
]
qos = 1
sys = true
username = "bench"
password_env = "BROKER_PASSWORD"
tls = { ca_file = "ca.pem", cert_file = "own.pem", key_file = "/keys/own.key" }
client_id = "capline-bench"
clean = false
session_expiry = "2h"
keepalive_s = 5
retry = ["500ms", "30s"]
required = true
"""


def source_in(text: str) -> MessagesSource:
    """The one source of a bench file."""
    (source,) = load_bench(text, "bench.toml").sources
    assert isinstance(source, MessagesSource)
    return source


def source_with(lines: str) -> MessagesSource:
    """A source that says little else."""
    return source_in(f'[[source]]\nname = "b"\nkind = "messages"\nhost = "h"\n{lines}')


def error_in(changed: str, into: str) -> DescriptionError:
    """The one thing wrong when `changed` in the good file is turned into something else."""
    assert GOOD.count(changed) == 1
    with pytest.raises(DescriptionError) as caught:
        load_bench(GOOD.replace(changed, into), "bench.toml")
    return caught.value


def test_a_broker_is_told_in_full() -> None:
    source = source_in(GOOD)
    assert source.subscriptions == {"capline/#": 1, "capline/caps/+": 2, "$SYS/#": 0}
    assert (source.session_expiry_s, source.retry_ns) == (7200, (500_000_000, 30_000_000_000))
    assert source.tls == Tls(ca_file="ca.pem", cert_file="own.pem", key_file="/keys/own.key")


def test_a_host_alone_is_enough() -> None:
    source = source_with("")
    assert (source.broker_port, source.subscriptions) == (1883, {"#": 0})
    assert (source.protocol, source.tls, source.clean) == ("3.1.1", False, True)
    assert (source.required, source.session_expiry_s) == (False, 0)


@pytest.mark.parametrize("tls", ["true", "{}", '{ ca_file = "ca.pem" }'])
def test_with_tls_the_port_is_that_of_tls(tls: str) -> None:
    # Service Name and Transport Protocol Port Number Registry: secure-mqtt 8883, mqtt 1883
    assert source_with(f"tls = {tls}\n").broker_port == 8883


def test_a_port_that_is_told_stands_above_both() -> None:
    assert source_with("tls = true\nport = 1884\n").broker_port == 1884


def test_of_a_topic_that_stands_twice_the_higher_qos_is_asked_for() -> None:
    twice = 'topics = [{ filter = "a", qos = 2 }, "a", { filter = "b", qos = 1 }]\n'
    assert source_with(twice).subscriptions == {"a": 2, "b": 1}


def test_a_kept_session_without_an_expiry_is_kept_for_a_day() -> None:
    kept = 'protocol = "5"\nclean = false\nclient_id = "bench"\n'
    assert source_with(kept).session_expiry_s == 86_400


@pytest.mark.parametrize(
    ("changed", "into", "message", "mend"),
    [
        ('"capline/#"', "5", "must be text or a table", ""),
        ("qos = 2", "qos = 3", "qos must be", ""),
        (
            '"capline/caps/+", qos = 2',
            '"capline/caps/+", qus = 2',
            "unknown key 'qus'",
            "Did you mean 'qos'?",
        ),
        ('protocol = "5"', 'protocol = "4"', "is none of the known words", "3.1.1, 5"),
        ('protocol = "5"', "", "session_expiry belongs to MQTT 5", ""),
        ('session_expiry = "2h"', 'session_expiry = "2 hours"', "with a unit", ""),
        (
            'session_expiry = "2h"',
            'session_expiry = "1200000h"',
            "must be at most 4294967295 s",
            "",
        ),
        ('client_id = "capline-bench"', "", "clean a session is kept under a client_id", ""),
        ("keepalive_s = 5", "keepalive_s = 0", "keepalive_s must be", ""),
        ('["500ms", "30s"]', '["30s", "500ms"]', "shorter than the first", ""),
        ('["500ms", "30s"]', '["1ms", "30s"]', 'must be at least "100ms"', ""),
        ('["500ms", "30s"]', '["30s"]', "a list of length 2", ""),
        ('["500ms", "30s"]', '["1s", "1"]', "must be a number with a unit", ""),
        (
            'password_env = "BROKER_PASSWORD"',
            'password = "hunter"',
            "a password does not belong",
            "password_env",
        ),
        (
            'ca_file = "ca.pem",',
            'ca_file = "ca.pem", verify = false,',
            "certificate and name are always verified",
            "ca_file",
        ),
        ('cert_file = "own.pem", ', "", "key_file belongs to a certificate; add cert_file", ""),
    ],
)
def test_what_is_wrong_is_told_with_its_mend(
    changed: str, into: str, message: str, mend: str
) -> None:
    error = error_in(changed, into)
    assert message in error.message
    assert mend in error.mend


@pytest.mark.parametrize(
    ("changed", "into"),
    [
        ("  { filter", '  { filter = "a+", qos = 1 }, { filter'),
        ('host = "broker.capline.example"', 'host = "broker:1883"'),
        ('session_expiry = "2h"', 'session_expiry = "2"'),
        ("tls = {", "tls = { verify = false,"),
        ('retry = ["500ms"', 'retry = ["1ms"'),
    ],
)
def test_the_line_is_that_of_the_key(changed: str, into: str) -> None:
    place = error_in(changed, into).place
    assert place is not None
    assert place.line == GOOD[: GOOD.index(changed)].count("\n") + 1


def test_a_password_without_a_user_is_refused_in_3_1_1_alone() -> None:
    # MQTT 3.1.1 [MQTT-3.1.2-22]; MQTT 5.0 section 3.1.2.9 allows it
    assert source_with('protocol = "5"\npassword_env = "P"\n').password_env == "P"
    with pytest.raises(DescriptionError, match="no password without a username"):
        source_with('password_env = "P"\n')


def test_files_of_tls_are_relative_to_the_bench_file(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(GOOD, "utf-8")
    (source,) = read_bench(path).bench.sources
    assert isinstance(source, MessagesSource)
    assert source.tls == Tls(
        ca_file=str(tmp_path / "ca.pem"),
        cert_file=str(tmp_path / "own.pem"),
        key_file="/keys/own.key",
    )
