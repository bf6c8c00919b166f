"""TLS to real brokers, their certificates made here: who is connected to, who not, and why."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Any

import pytest

from console.bench.broker import Tls
from console.bench.model import MessagesSource
from console.sources.broker import BrokerSource
from console.sources.broker_tls import tls_context
from decoders.errors import DiagnosticError
from tests.console.sources.brokers import Amqtt, Iotcore, Real, running
from tests.console.sources.certificates import Authority
from tests.console.sources.kept_records import recording
from tests.console.sources.scripted_broker import Line, ScriptedBroker


def source_of(port: int, tls: Tls | bool, host: str = "localhost", **keys: Any) -> MessagesSource:
    return MessagesSource(
        name="broker", host=host, port=port, tls=tls, retry=("100ms", "100ms"), **keys
    )


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


def broker_with(cert_file: Path, key_file: Path) -> Amqtt:
    return Amqtt(certfile=str(cert_file), keyfile=str(key_file))


def trusting(authority: Authority) -> Tls:
    return Tls(ca_file=str(authority.ca_file))


def refusal(broker: Real | ScriptedBroker, tls: Tls | bool, host: str = "localhost") -> str:
    """How a connection is refused, in one line."""
    with recording(BrokerSource(source_of(broker.port, tls, host), patience_s=30.0)) as kept:
        words = kept.until_happened("refused")[0]
        kept.until_happened("retry")
    assert kept.words()[:2] == ["refused", "retry"]
    assert "\n" not in words
    return words


def test_a_broker_signed_by_a_known_authority_is_connected_to(authority: Authority) -> None:
    with (
        running(broker_with(*authority.certificate("localhost"))) as broker,
        recording(BrokerSource(source_of(broker.port, trusting(authority)))) as kept,
    ):
        kept.until_happened("subscribed")
    assert kept.happened("opened") == [f"localhost:{broker.port}, MQTT 3.1.1, TLS, new session"]


def test_a_broker_of_another_make_and_version_is_connected_to(authority: Authority) -> None:
    cert_file, key_file = authority.certificate("localhost")
    # this one wants to know an authority of clients, too, and asks for certificates then
    own = authority.certificate("bench")
    tls = Tls(ca_file=str(authority.ca_file), cert_file=str(own[0]), key_file=str(own[1]))
    files = {
        "certpath": str(cert_file), "keypath": str(key_file), "capath": str(authority.ca_file),
    }  # fmt: skip
    with (
        running(Iotcore("5", files)) as broker,
        recording(BrokerSource(source_of(broker.port, tls, protocol="5"))) as kept,
    ):
        kept.until_happened("subscribed")


def test_a_certificate_may_name_an_address(authority: Authority) -> None:
    made = authority.certificate("broker.example", addresses=("127.0.0.1",))
    with (
        running(broker_with(*made)) as broker,
        recording(BrokerSource(source_of(broker.port, trusting(authority), "127.0.0.1"))) as kept,
    ):
        kept.until_happened("subscribed")


def test_an_unknown_authority_is_refused(authority: Authority, tmp_path: Path) -> None:
    other = Authority(tmp_path, "another authority")
    with running(broker_with(*authority.certificate("localhost"))) as broker:
        assert refusal(broker, trusting(other)) == (
            f"the certificate of localhost:{broker.port} is signed by nobody who is known. "
            'Name the authority: tls = { ca_file = "ca.pem" }'
        )


def test_the_systems_authorities_do_not_know_ours(authority: Authority) -> None:
    with running(broker_with(*authority.certificate("localhost"))) as broker:
        assert "is signed by nobody who is known" in refusal(broker, tls=True)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])
def test_a_certificate_for_another_name_is_refused(authority: Authority, host: str) -> None:
    with running(broker_with(*authority.certificate("broker.example"))) as broker:
        assert refusal(broker, trusting(authority), host) == (
            f"the certificate of {host}:{broker.port} is for another name than {host!r}. "
            "Say host as the certificate names it"
        )


@pytest.mark.parametrize(
    ("from_days", "until_days", "words"),
    [(-3, -1, "has expired. Renew it"), (1, 3, "is not valid yet. Set the clock")],
)
def test_a_certificate_out_of_its_time_is_refused(
    authority: Authority, from_days: int, until_days: int, words: str
) -> None:
    made = authority.certificate("localhost", from_days=from_days, until_days=until_days)
    with running(broker_with(*made)) as broker:
        assert words in refusal(broker, trusting(authority))


def test_tls_to_a_port_without_it_is_refused(authority: Authority) -> None:
    def script(line: Line) -> None:
        line.send(b"\x20\x02\x00\x00" * 4)
        line.rest()

    with ScriptedBroker(script) as broker:
        assert refusal(broker, trusting(authority)) == (
            f"localhost:{broker.port} does not speak TLS. Is it the port for TLS? 8883 mostly is"
        )


def test_a_handshake_that_is_never_answered_has_an_end(authority: Authority) -> None:
    with ScriptedBroker(lambda line: line.rest()) as broker:
        source = source_of(broker.port, trusting(authority))
        with recording(BrokerSource(source, patience_s=0.5)) as kept:
            words = kept.until_happened("refused")[0]
    assert words.startswith(f"no answer from localhost:{broker.port} within 500 ms. ")


def test_no_tls_to_a_port_that_has_it_is_refused(authority: Authority) -> None:
    with running(broker_with(*authority.certificate("localhost"))) as broker:
        words = refusal(broker, tls=False)
    assert words.startswith(f"localhost:{broker.port} closed without letting us in. Do protocol")


def test_a_broker_that_asks_who_we_are_is_told(authority: Authority, tmp_path: Path) -> None:
    cert_file, key_file = authority.certificate("bench", password=b"pomace")
    tls = Tls(
        ca_file=str(authority.ca_file),
        cert_file=str(cert_file),
        key_file=str(key_file),
        key_password_env="KEY",
    )
    with ScriptedBroker(let_in, context=asking(authority)) as broker:
        source = BrokerSource(source_of(broker.port, tls), {"KEY": "pomace"}.get)
        with recording(source) as kept:
            kept.until_happened("subscribed")


def test_a_broker_that_asks_in_vain_is_refused(authority: Authority) -> None:
    with ScriptedBroker(let_in, context=asking(authority)) as broker:
        words = refusal(broker, trusting(authority))
    # whether the alert or the end of the connection is seen first, the network decides
    assert words.startswith(
        (
            f"localhost:{broker.port} closed without letting us in. "
            "It may want another protocol, or a certificate of ours: cert_file",
            f"TLS with localhost:{broker.port} failed: tlsv13 alert certificate required. "
            "The broker may want a certificate: cert_file",
        )
    )


def let_in(line: Line) -> None:
    line.accept()
    line.rest()


def asking(authority: Authority) -> ssl.SSLContext:
    """TLS of a broker that wants a certificate of every client."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*authority.certificate("localhost"))
    context.load_verify_locations(authority.ca_file)
    context.verify_mode = ssl.CERT_REQUIRED
    return context


def test_certificate_and_name_are_verified_whatever_is_told(authority: Authority) -> None:
    for tls in (Tls(), trusting(authority)):
        context = tls_context(tls, lambda _: None)
        assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
        assert context.minimum_version == ssl.TLSVersion.TLSv1_2


def wrong(tls: Tls, **environment: str) -> str:
    with pytest.raises(DiagnosticError) as caught:
        tls_context(tls, environment.get)
    return f"{caught.value.message}. {caught.value.mend}"


def test_files_that_cannot_be_used_are_told(authority: Authority, tmp_path: Path) -> None:
    cert, key = (str(path) for path in authority.certificate("bench"))
    _, other = (str(path) for path in authority.certificate("bench"))
    _, locked = (str(path) for path in authority.certificate("bench", password=b"pomace"))
    text, none = str(tmp_path / "text.pem"), str(tmp_path / "none.pem")
    Path(text).write_text("hello\n", "utf-8")
    assert wrong(Tls(ca_file=none)) == (
        f"ca_file {none}: No such file or directory. Paths are relative to the bench file"
    )
    assert f"ca_file {text} holds no certificate" in wrong(Tls(ca_file=text))
    assert f"cert_file {none}: No such" in wrong(Tls(cert_file=none))
    assert f"key_file {none}: No such" in wrong(Tls(cert_file=cert, key_file=none))
    assert "cannot be read. It must be a PEM" in wrong(Tls(cert_file=cert, key_file=text))
    assert f"key in {other} is not that of" in wrong(Tls(cert_file=cert, key_file=other))
    assert f"key in {locked} is encrypted" in wrong(Tls(cert_file=cert, key_file=locked))
    named = Tls(cert_file=cert, key_file=locked, key_password_env="KEY")
    assert wrong(named, KEY="cider") == (
        f"the key in {locked} cannot be decrypted. Is KEY its password?"
    )
    assert "environment variable KEY is not set" in wrong(named)
    assert tls_context(Tls(cert_file=cert, key_file=key), lambda _: None)


def test_a_file_of_an_authority_that_comes_later_is_found(
    authority: Authority, tmp_path: Path
) -> None:
    late = tmp_path / "late.pem"
    with running(broker_with(*authority.certificate("localhost"))) as broker:
        source = source_of(broker.port, Tls(ca_file=str(late)))
        with recording(BrokerSource(source)) as kept:
            assert "No such file" in kept.until_happened("refused")[0]
            late.write_bytes(authority.ca_file.read_bytes())
            kept.until_happened("subscribed")


def test_a_password_never_leaves_without_tls_once_tls_is_asked_for(authority: Authority) -> None:
    with ScriptedBroker(lambda line: line.rest()) as broker:
        keys = {"username": "op", "password_env": "P"}
        source = source_of(broker.port, trusting(authority), **keys)
        with recording(BrokerSource(source, {"P": "pomace"}.get, patience_s=0.5)) as kept:
            kept.until_happened("refused", 2)
        received = b"".join(line.received for line in broker.lines)
    assert received[0] == 0x16  # RFC 8446 section 5.1: a handshake record
    assert b"pomace" not in received
