"""The table of experiments, all of them. A new one is a row of a module of `experiment_rows`."""

from __future__ import annotations

from console.diagnosis.causes.experiment import Experiment
from console.diagnosis.causes.experiment_rows import (
    at_the_stop,
    other_driving,
    other_network,
    other_running,
)

EXPERIMENTS: tuple[Experiment, ...] = (
    *other_running.EXPERIMENTS,
    *at_the_stop.EXPERIMENTS,
    *other_driving.EXPERIMENTS,
    *other_network.EXPERIMENTS,
)
