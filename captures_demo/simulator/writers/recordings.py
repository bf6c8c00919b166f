"""Serial recordings with the host's arrival stamps, as JSON lines."""

from __future__ import annotations

from captures_demo.simulator.firmware import SerialAdapter
from captures_demo.simulator.run import Run


def serial_jsonl(run: Run, adapter: SerialAdapter, *, baud: int = 115_200) -> bytes:
    """What a host recorded of the board's serial port: pieces as they came, in hex.

    Args:
        run: its serial bytes and its host's clock.
        adapter: how the host's adapter hands the bytes on.
        baud: of the port.
    """
    lines = []
    for arrival_ns, piece in adapter.deliveries(run.serial, baud):
        seconds, micro = divmod(run.host.read(arrival_ns) // 1_000, 1_000_000)
        lines.append(f'{{"t":{seconds}.{micro:06d},"hex":"{piece.hex()}"}}\n')
    return "".join(lines).encode()
