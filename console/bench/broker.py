"""What a message source says of its broker: topics, TLS, sessions, waits."""

from __future__ import annotations

from typing import Annotated

import msgspec

from decoders.durations import duration_ns

Qos = Annotated[int, msgspec.Meta(ge=0, le=2)]
Name = Annotated[str, msgspec.Meta(min_length=1)]

PLAIN_PORT, TLS_PORT = 1883, 8883  # as registered with IANA
MOST_EXPIRY_S = 0xFFFFFFFF  # MQTT 5.0 section 3.1.2.11.2: for ever
_KEPT_S = 24 * 3600  # of MQTT 5: how long a broker keeps a session nobody comes back to


class Topic(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A topic filter with a QoS of its own."""

    filter: Name
    qos: Qos


class Tls(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Whose certificates are believed, and our own. There is no way not to verify."""

    ca_file: str | None = None  # PEM; the system's authorities if left out
    cert_file: str | None = None  # PEM; ours, for brokers that ask for one
    key_file: str | None = None  # PEM; left out, it stands in cert_file
    key_password_env: Name | None = None  # the variable that holds the password of an encrypted key

    def __post_init__(self) -> None:
        if self.cert_file is None:
            for key in ("key_file", "key_password_env"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key}: belongs to a certificate; add cert_file")


def retry_ns(first: str, longest: str) -> tuple[int, int]:
    """The shortest and the longest wait before a connection is tried again.

    Raises:
        ValueError: in words for people, if one is no duration, or they are the wrong way round.
    """
    waits = duration_ns(first), duration_ns(longest)
    if waits[0] < 100_000_000:  # a broker that refuses is not to be flooded
        raise ValueError(f'the first wait must be at least "100ms", not {first!r}')
    if waits[1] < waits[0]:
        raise ValueError(f"the longest wait {longest!r} is shorter than the first {first!r}")
    return waits


def session_expiry_s(told: str | None, *, clean: bool) -> int:
    """Of MQTT 5: for how many seconds the broker is to keep the session; 0: not at all.

    Raises:
        ValueError: in words for people.
    """
    if told is None:
        return 0 if clean else _KEPT_S
    seconds = -(-duration_ns(told) // 1_000_000_000)
    if seconds > MOST_EXPIRY_S:
        raise ValueError(f"must be at most {MOST_EXPIRY_S} s, not {told!r}")
    return seconds
