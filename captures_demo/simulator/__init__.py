"""A bit-accurate simulator of a bench: buses, firmware, a broker, each with a clock of its own.

It knows nothing of the decoders and the console: what it says is what they are tested against. Its
parts, from the bottom: `dice` (randomness), `schedule` (events and programs), `lines` (open-drain
wires), `ledger` and `bus` (traffic and the truth about it), `controller`, `target`, `manners` and
`devices`, `clocks`, `capture` (the instrument), `run` (what a run leaves behind), `traffic` (random
runs), `corpus` (labelled runs).
"""

from captures_demo.simulator.run import Run, Truth
from captures_demo.simulator.traffic import TRAFFIC_FAULTS, random_traffic

__all__ = ["TRAFFIC_FAULTS", "Run", "Truth", "random_traffic"]
