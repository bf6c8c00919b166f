"""Labelled runs."""

from captures_demo.simulator.corpus.catalogue import CAUSES, labelled
from captures_demo.simulator.corpus.labels import HEALTHY, CauseTruth, LabelledRun
from captures_demo.simulator.corpus.recipes import Maker
from captures_demo.simulator.corpus.writing import write_labelled

__all__ = [
    "CAUSES",
    "HEALTHY",
    "CauseTruth",
    "LabelledRun",
    "Maker",
    "labelled",
    "write_labelled",
]
