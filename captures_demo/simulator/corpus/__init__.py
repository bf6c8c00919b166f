"""Labelled runs: every cause of a lockup or a lost message, with its healthy twin.

    from captures_demo.simulator.corpus import CAUSES, labelled, write_labelled

    run = labelled("orphaned-read", 7)
    twin = labelled("orphaned-read", 7, healthy=True)
    write_labelled(run, folder, coarser=2, without={"messages"})

The scene is the cap line of a small cider works: a board asks two or three of its sensors over one
bus, prints what it reads, publishes it as `capline/NAME/state`, and moves a diverter as commands on
`capline/diverter/command` say. What its firmware prints of trouble is in `wording`; it boots with
"reset by REASON", reports "sys: up S s heap H block B" every second, and of its connection "net:
connected", "net: link lost". In the runs of the network's causes the recording of messages says
whose each is and which way it goes, and has the broker's own log (`sessions`).

Modules: `variant` (what differs from run to run), `parts` (the sensors), `works` (the bench),
`recipes` and `catalogue` (causes by their words), `writing` (folders), `plenty` (a million healthy
transactions as columns), and the causes by family: `held_lines`, `clock_lines`, `wires`, `power`,
`controllers`, `callers`, `targets`, `contents`, `firmware`, `links`, `deliveries`.
"""

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
