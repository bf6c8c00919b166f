"""TLS to a broker: certificate and host name are verified, whatever else is told."""

from __future__ import annotations

import ssl
from pathlib import Path

from console.bench.broker import Tls
from console.sources.broker_secret import LookUp, Secret
from decoders.errors import DiagnosticError

_PEM = "It must be a PEM file: text that begins with -----BEGIN"


def tls_context(tls: Tls, look_up: LookUp) -> ssl.SSLContext:
    """What a connection is made with.

    Args:
        tls: the files; without `ca_file` the system's authorities are believed.
        look_up: of environment variables, for the password of an encrypted key.

    Returns:
        A context that requires a certificate for the host connected to, over TLS 1.2 or newer.

    Raises:
        DiagnosticError: if a file cannot be read, or is not what it should be.
    """
    _open("ca_file", tls.ca_file)
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
    except ssl.SSLError as error:
        words = f"ca_file {tls.ca_file} holds no certificate"
        raise DiagnosticError(words, mend=_PEM) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.cert_file is not None:
        _load_own(context, tls, tls.cert_file, look_up)
    return context


def _load_own(context: ssl.SSLContext, tls: Tls, cert_file: str, look_up: LookUp) -> None:
    """Our own certificate and its key."""
    _open("cert_file", cert_file)
    _open("key_file", tls.key_file)
    key, variable = tls.key_file or cert_file, tls.key_password_env
    asked = []

    def password() -> str:
        asked.append(True)  # without this function OpenSSL would ask on the terminal
        return "" if variable is None else Secret.looked_up(variable, look_up).reveal()

    try:
        context.load_cert_chain(cert_file, tls.key_file, password)
    except ssl.SSLError as error:
        if asked and variable is None:
            words, mend = f"the key in {key} is encrypted", "Say key_password_env = ..."
        elif asked:
            words, mend = f"the key in {key} cannot be decrypted", f"Is {variable} its password?"
        elif error.reason == "KEY_VALUES_MISMATCH":
            words, mend = f"the key in {key} is not that of {cert_file}", "They come in pairs"
        else:
            words, mend = f"{cert_file} with the key in {key} cannot be read", _PEM
        raise DiagnosticError(words, mend=mend) from error


def _open(key: str, file: str | None) -> None:
    """Refuse a file that cannot be opened: OpenSSL's own words do not say which one."""
    if file is None:
        return
    try:
        Path(file).open("rb").close()
    except OSError as error:
        words = f"{key} {file}: {error.strerror or error}"
        raise DiagnosticError(words, mend="Paths are relative to the bench file") from error
