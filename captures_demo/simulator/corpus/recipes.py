"""How a cause becomes a labelled run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from captures_demo.simulator.controller import Controller
from captures_demo.simulator.corpus.labels import LabelledRun
from captures_demo.simulator.corpus.parts import Sensor
from captures_demo.simulator.corpus.variant import Variant, variant_of
from captures_demo.simulator.corpus.works import Works

Change = Callable[[Variant], Variant]


def unchanged(variant: Variant) -> Variant:
    """The variant as it is drawn."""
    return variant


@dataclass(frozen=True, slots=True)
class Maker:
    """Makes the runs of one cause.

    Args:
        cause: its word.
        inject: sets up the bench and says what goes wrong.
        change: what of the variant the cause needs otherwise.
        lines: further captured lines.
        always: they are captured in every variant, not in every other one.
        driver: the board's bus controller.
        sensor: the part that fails.
        filter_ns: that part's spike filter.
        records_clients: the recording of messages says whose they are.
    """

    cause: str
    inject: Callable[[Works], None]
    change: Change = unchanged
    lines: tuple[str, ...] = ()
    always: bool = True
    driver: type[Controller] = Controller
    sensor: type[Sensor] = Sensor
    filter_ns: int = 0
    records_clients: bool = False

    def __call__(self, variant: int, *, healthy: bool = False) -> LabelledRun:
        """The run of a variant, or its twin without the injection."""
        works = Works(
            self.change(variant_of(self.cause, variant)),
            healthy=healthy,
            lines=self.lines if self.always or variant % 2 == 0 else (),
            driver=self.driver,
            sensor=self.sensor,
            filter_ns=self.filter_ns,
            records_clients=self.records_clients,
        )
        self.inject(works)
        return works.run()
