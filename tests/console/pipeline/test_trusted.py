"""What the trust sheet says of sources that prove more than others."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from tests.decoders.captures.network_files import Talk, pcap
from tests.decoders.messages.mqtt_made import connack, connect, publish


@pytest.mark.parametrize(("captured", "rows"), [(True, 0), (False, 1)])
def test_a_number_that_nobody_sent_is_not_lost_by_a_network_capture(
    captured: bool, rows: int, tmp_path: Path
) -> None:
    talk = Talk().open().says(connect("sender", keep_alive=0)).hears(connack())
    for n in (*range(20), *range(21, 40)):
        if n == 21 and not captured:
            talk.lose(0, publish("capline/count", b'{"n": 20}'))
        talk.wait(1).says(publish("capline/count", b'{"n": %d}' % n))
    path = tmp_path / "lan.pcap"
    path.write_bytes(pcap(talk.frames))
    trust = gathered(settled([str(path)], Overrides())).tables["trust"]
    assert trust.filter(kind="lost", unit="messages").height == rows
