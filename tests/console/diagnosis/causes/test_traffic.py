"""Whose transactions are those of an episode's device."""

from __future__ import annotations

from dataclasses import replace

from console.diagnosis.causes.traffic import traffic_of
from console.diagnosis.scene import Scene
from tests.console.diagnosis.stories import S, some_episode
from tests.console.watch.runs import nack, table, transaction

LIFE = replace(some_episode(), address_bits=10)


def test_a_seven_bit_address_of_the_same_number_is_another_device() -> None:
    wide = [nack(LIFE.first_bad_ns + k * S, address_bits=10) for k in range(3)]
    seven = [transaction(LIFE.first_bad_ns + k * S + S // 2) for k in range(3)]
    scene = Scene(LIFE, {"transactions": table("transactions", wide + seven)}, 0, LIFE.until_ns, [])
    traffic = traffic_of(scene, (0, LIFE.until_ns))
    own = traffic.own_dead["answered"].to_list(), traffic.own_run["answered"].to_list()
    assert own == ([False] * 3, [False] * 3)
