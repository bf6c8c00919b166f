"""What a bench says of a capture's lines, said of another capture of the same folder."""

from __future__ import annotations

from console.bench.lines import Servo, Spi
from console.bench.model import Bench, Bus
from console.pipeline.told_lines import with_lines_of


def test_another_capture_has_the_same_lines() -> None:
    bench = Bench(
        buses=[Bus(name="i2c-1", source="wire", scl="a", sda="b")],
        spis=[Spi(name="valves", source="other", sck="c", mosi="d")],
        servos=[Servo(name="gate", source="wire", line="e")],
    )
    both = with_lines_of(bench, [("wire", "wire-2")])
    assert [bus.source for bus in both.buses] == ["wire", "wire-2"]
    assert [servo.source for servo in both.servos] == ["wire", "wire-2"]
    assert [spi.source for spi in both.spis] == ["other"]
    assert with_lines_of(bench, []) == bench
