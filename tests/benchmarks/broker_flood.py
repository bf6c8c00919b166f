"""A flood of messages through a real broker: `python -m tests.benchmarks.broker_flood [RATE [S]]`.

A process of its own sends at a steady rate, QoS 0, over a compiled broker; a `BrokerSource` keeps
what comes. Prints what came, whether it is what was sent (SHA-256), how long messages were on their
way from the sender to the stamp, and the reading's share of one core. Exits with 1 if one is lost.
"""

from __future__ import annotations

import hashlib
import socket
import subprocess
import sys
import time

import numpy as np

from console.bench.model import MessagesSource
from console.sources.broker import BrokerSource
from console.sources.records import Arrived, HostClock, Record
from tests.console.sources.brokers import Iotcore, running
from tests.console.sources.kept_records import Kept

TOPIC = b"capline/hopper/level"
TICK_S = 0.005


def payload(n: int, t_ns: int) -> bytes:
    """What the n-th message says: as long as a reading in JSON mostly is."""
    return b'{"n":%010d,"t_ns":%d,"level":41.7,"state":"running"}' % (n, t_ns)


def send(port: int, rate: int, seconds: int) -> None:
    """The sender: plain packets in batches, since a client library could not keep the rate up."""
    sock = socket.create_connection(("127.0.0.1", port))
    sock.sendall(bytes.fromhex("10 13 00044D515454 04 02 003C 0007") + b"capline")
    assert sock.recv(4) == bytes.fromhex("20020000")
    digest = hashlib.sha256()
    start_s = time.monotonic()
    sent = 0
    while sent < rate * seconds:
        due = min(int((time.monotonic() - start_s) * rate) + 1, rate * seconds)
        t_ns = time.time_ns()
        batch = [payload(n, t_ns) for n in range(sent, due)]
        digest.update(b"".join(batch))
        head = len(TOPIC).to_bytes(2, "big") + TOPIC
        sock.sendall(b"".join(bytes([0x30, len(head) + len(body)]) + head + body for body in batch))
        sent = due
        time.sleep(TICK_S)
    print(sent, time.monotonic() - start_s, digest.hexdigest(), flush=True)
    sys.stdin.read()  # the connection stays until all has come


def measure(rate: int, seconds: int) -> bool:
    """Run it; whether all came."""
    count, came, digest = rate * seconds, [0], hashlib.sha256()
    stamps, kept = np.zeros(count, dtype=np.int64), Kept()
    sent_at = np.zeros(count, dtype=np.int64)

    def put(record: Record) -> None:
        if isinstance(record, Arrived):
            digest.update(record.payload)
            at = came[0]
            stamps[at], sent_at[at] = record.t_ns, int(record.payload[23:42])
            came[0] = at + 1
        else:
            kept(record)

    with running(Iotcore()) as broker:
        told = MessagesSource(name="broker", host="127.0.0.1", port=broker.port)
        source = BrokerSource(told)
        source.start(put, HostClock())
        kept.until_happened("subscribed")
        command = [sys.executable, "-m", __spec__.name, "send", str(broker.port)]
        with subprocess.Popen(
            [*command, str(rate), str(seconds)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        ) as sender:  # fmt: skip
            assert sender.stdout is not None
            cpu_s = time.process_time()
            sent, took_s, expected = sender.stdout.readline().split()
            until_s = time.monotonic() + 10.0
            while came[0] < count and time.monotonic() < until_s:
                time.sleep(0.01)
            cpu_s = time.process_time() - cpu_s
            source.stop()
            sender.communicate("")
    whole = digest.hexdigest() == expected
    late_ms = np.percentile((stamps - sent_at)[: came[0]] / 1e6, [50, 99, 100]).round(1)
    print(f"sent {sent} in {float(took_s):.1f} s ({int(sent) / float(took_s):,.0f} a second)")
    print(f"came {came[0]}, lost {count - came[0]}, SHA-256 {'equal' if whole else 'DIFFERS'}")
    print(f"late by {late_ms[0]} ms (median), {late_ms[1]} (99 %), {late_ms[2]} (all)")
    print(f"reading: {cpu_s / float(took_s):.0%} of one core, {cpu_s / count * 1e6:.0f} us each")
    print(f"state: {source.state()}")
    return whole


if __name__ == "__main__":
    arguments = sys.argv[1:]
    if arguments[:1] == ["send"]:
        send(*map(int, arguments[1:]))
    else:
        numbers = [int(argument) for argument in arguments] + [20_000, 60][len(arguments) :]
        sys.exit(not measure(*numbers))
