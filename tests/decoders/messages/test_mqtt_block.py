from __future__ import annotations

from decoders.captures.tcp_connections import What
from decoders.messages.mqtt_block import Block, step_at
from tests.decoders.messages.mqtt_parts import BROKER, CLIENT, MS, mqtt, part


def test_a_step_stands_at_its_row_counted_from_the_connections_first() -> None:
    c = mqtt(3)
    c.rows_before = 40
    step = step_at(c, BROKER, part(c.tcp, (CLIENT, b"a"), (BROKER, b"b"), first=7), 1, 5, What.FIN)
    assert step.place == (8, 3, 41, 5)
    assert (step.half, step.t_ns, step.what, step.first) == (BROKER, 8 * MS, What.FIN, None)


def test_steps_go_by_frame_then_connection_then_row_then_packet() -> None:
    one, two = mqtt(1), mqtt(2)
    rows = part(one.tcp, (CLIENT, b"a"), (CLIENT, b"b"))
    block = Block()
    for c, row, k in ((two, 1, 0), (one, 1, 1), (one, 1, 0), (two, 0, 3), (one, 0, 9)):
        block.steps.append(step_at(c, CLIENT, rows, row, k, What.FIN))
    found = [(step.place.serial, step.place.row, step.place.k) for step in block.in_order()]
    assert found == [(1, 0, 9), (2, 0, 3), (1, 1, 0), (1, 1, 1), (2, 1, 0)]
