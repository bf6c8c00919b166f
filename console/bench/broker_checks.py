"""What is wrong or odd in what a message source says of its broker."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from console.bench.model import MessagesSource
from decoders.messages.topics import filter_problem

_LOOPBACK = ("localhost", "127.0.0.1", "::1")


class Problem(NamedTuple):
    """One thing wrong in a source, at one of its keys."""

    path: tuple[str | int, ...]  # below the source's table
    message: str
    mend: str


def broker_problems(source: MessagesSource) -> Iterator[Problem]:
    """What is wrong with host and topics, all of it."""
    if source.host is not None:
        yield from _host(source.host)
    for at, topic in enumerate(source.topics):
        path: tuple[str | int, ...] = ("topics", at)
        text = topic
        if not isinstance(topic, str):
            path, text = (*path, "filter"), topic.filter
        wrong = filter_problem(str(text))
        if wrong:
            yield Problem(path, f"topic {text!r}: {wrong}", "An example: capline/+/level.")
        elif str(text).startswith("$share/"):
            words = f"topic {text!r} is shared: what comes here, those who share it do not get"
            yield Problem(path, words, "Name the filter alone; a recorder takes nothing away.")


def _host(host: str) -> Iterator[Problem]:
    name, colon, port = host.rpartition(":")
    if "://" in host or "/" in host:
        mend = 'Write the name or address alone, the rest as port = ... and tls = true: host = "'
        mend += host.partition("://")[2].split("/")[0].split(":")[0] + '".'
        yield Problem(("host",), f"host {host!r} is an address with more than a host", mend)
    elif colon and ":" not in name and port.isdigit():
        mend = f'Write host = "{name}" and port = {port}.'
        yield Problem(("host",), f"host {host!r} has a port in it", mend)
    elif not host or not host.isprintable() or " " in host:
        yield Problem(("host",), f"host {host!r} is no name or address", "")


def broker_remarks(source: MessagesSource) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """What is allowed but odd: the key, and words."""
    if source.password_env is not None and not source.tls and source.host not in _LOOPBACK:
        yield (
            ("password_env",),
            f"the password of {source.name} goes over the network readable by all; use tls = true",
        )
