"""Why a broker cannot be had, in words: what is the matter, and how to mend it."""

from __future__ import annotations

import errno
import socket
import ssl
from typing import NamedTuple

from console.bench.model import MessagesSource
from decoders.durations import in_words

# OpenSSL's verify(1): X509_V_ERR_...
_EXPIRED, _NOT_YET, _WRONG_HOST, _WRONG_ADDRESS = 10, 9, 62, 64
_UNKNOWN_ISSUER = (2, 18, 19, 20, 21)

# Reason codes of MQTT 5.0 (section 2.4), also given for the return codes of 3.1.1 (table 3.1).
_MENDS = {
    0x85: "Say another client_id, of 1 to 23 letters and digits",
    0x86: "Look at username, and at the variable that password_env names",
    0x87: "Look at username and password; the broker's access list must have them",
    0x88: "The broker says it will be back",
    0x8A: "Ask who runs the broker",
    0x8C: "The broker wants a login this program does not have",
    0x8E: "Another program came with the same client_id; give each its own",
    0x8F: "Look at topics",
    0x9E: "Name the filter without $share",
    0xA2: "Name whole topics in topics, without + and #",
}
_OTHER_VERSION, _MOVED = 0x84, (0x9C, 0x9D)
LONGEST_REASON = 200  # characters of what a broker says itself


class Trouble(NamedTuple):
    """What is the matter, as one clause, and how to mend it."""

    what: str
    mend: str = ""

    def __str__(self) -> str:
        return f"{self.what}. {self.mend}" if self.mend else self.what


def where(source: MessagesSource) -> str:
    """The broker, for people; without anything secret."""
    host = f"[{source.host}]" if source.host and ":" in source.host else source.host
    return f"{host}:{source.broker_port}"


def no_connection(error: BaseException, source: MessagesSource, patience_s: float) -> Trouble:
    """Why no connection came about.

    Args:
        error: what connecting raised.
        source: with whom.
        patience_s: how long an answer was waited for.
    """
    at = where(source)
    match error:
        case ssl.SSLEOFError() | ConnectionResetError() | BrokenPipeError():
            return closed_early(source)
        case ssl.SSLCertVerificationError():
            return _certificate(error, source)
        case ssl.SSLError(reason="WRONG_VERSION_NUMBER"):
            return Trouble(f"{at} does not speak TLS", "Is it the port for TLS? 8883 mostly is")
        case TimeoutError():
            words = f"no answer from {at} within {in_words(patience_s * 1e9)}"
            return Trouble(words, "Is it the right host and port, and tls as the broker has it?")
        case ssl.SSLError():
            reason = (getattr(error, "reason", None) or str(error)).lower().replace("_", " ")
            mend = "The broker may want a certificate: cert_file" if "alert" in reason else ""
            return Trouble(f"TLS with {at} failed: {reason}", mend)
        case socket.gaierror():
            return Trouble(f"no address found for {source.host!r}", "Look at host, and at the DNS")
        case ConnectionRefusedError():
            return Trouble(f"nothing listens on {at}", "Is the broker running, the port right?")
        case OSError(errno=errno.ENETUNREACH | errno.EHOSTUNREACH):
            return Trouble(f"no way to {at}: {error.strerror}", "Look at cable and network")
        case OSError():
            return Trouble(f"no connection to {at}: {error.strerror or error}")
    return Trouble(f"no connection to {at}: {type(error).__name__}: {error}", "Look at host")


def closed_early(source: MessagesSource) -> Trouble:
    """That a broker closed the connection before it had let us in, or refused to."""
    mend = "Do protocol, and tls or its absence, go with the port?"
    if source.tls is True or (source.tls and source.tls.cert_file is None):
        mend = "It may want another protocol, or a certificate of ours: cert_file"
    return Trouble(f"{where(source)} closed without letting us in", mend)


def no_answer(source: MessagesSource, patience_s: float, *, accepted: bool) -> Trouble:
    """That a broker does not answer, to the connection or, once accepted, the subscription."""
    wait = in_words(patience_s * 1e9)
    if accepted:
        return Trouble(f"the broker did not answer the subscription within {wait}")
    words = f"{where(source)} connects, but lets nobody in within {wait}"
    return Trouble(words, "Do protocol, and tls or its absence, go with the port?")


def _certificate(error: ssl.SSLCertVerificationError, source: MessagesSource) -> Trouble:
    at, code = where(source), error.verify_code
    if code in (_WRONG_HOST, _WRONG_ADDRESS):
        words = f"the certificate of {at} is for another name than {source.host!r}"
        return Trouble(words, "Say host as the certificate names it")
    if code in _UNKNOWN_ISSUER:
        words = f"the certificate of {at} is signed by nobody who is known"
        return Trouble(words, 'Name the authority: tls = { ca_file = "ca.pem" }')
    if code == _EXPIRED:
        return Trouble(f"the certificate of {at} has expired", "Renew it, or set the clock here")
    if code == _NOT_YET:
        return Trouble(f"the certificate of {at} is not valid yet", "Set the clock here or there")
    return Trouble(f"the certificate of {at} is not accepted: {error.verify_message}")


def refused(code: int, name: str, source: MessagesSource, said: str = "", moved: str = "") -> str:
    """What a broker that refuses says, in one line.

    Args:
        code: the reason code.
        name: its name.
        source: with whom.
        said: the reason string a broker of MQTT 5 may add.
        moved: the server it points to instead.
    """
    words = f"{where(source)} refuses: {_named(code, name, said)}"
    return str(Trouble(words, _mend(code, source, moved)))


def denied(topic: str, code: int, name: str, source: MessagesSource, said: str = "") -> str:
    """That a broker does not let a topic be read, in one line."""
    return str(Trouble(f"no messages of {topic}: {_named(code, name, said)}", _mend(code, source)))


def ended(code: int, name: str, source: MessagesSource, said: str = "", moved: str = "") -> str:
    """Why a broker of MQTT 5 ended the connection, in one line."""
    words = f"the broker ended it: {_named(code, name, said)}"
    return str(Trouble(words, _mend(code, source, moved)))


def _mend(code: int, source: MessagesSource, moved: str = "") -> str:
    """How to mend what a reason code stands for; "" where nobody can tell."""
    if code in _MOVED:
        return f"It names another: {moved[:LONGEST_REASON]}" if moved else ""
    if code == _OTHER_VERSION:
        return f'Say protocol = "{"3.1.1" if source.protocol == "5" else "5"}"'
    return _MENDS.get(code, "")


def _named(code: int, name: str, said: str) -> str:
    text = f"{name[:1].lower()}{name[1:]} (0x{code:02X})"
    return f"{text}, {said[:LONGEST_REASON]}" if said else text
