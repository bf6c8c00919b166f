"""Random traffic on one bus, with faults when asked: round-trip material for decoders."""

from __future__ import annotations

from collections.abc import Collection

from captures_demo.simulator.acts import (
    CHECKED,
    FAULTS,
    PLAIN,
    PLAIN_ACTS,
    SLOW,
    WIDE,
    Act,
    Players,
)
from captures_demo.simulator.bus import Bus
from captures_demo.simulator.capture import Instrument
from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.controller import Controller
from captures_demo.simulator.devices import RegisterFile, Stretchy
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.injectors import probe_spikes
from captures_demo.simulator.lines import Trace
from captures_demo.simulator.run import Run, Truth
from captures_demo.simulator.schedule import Program, Schedule
from captures_demo.simulator.timing import STANDARD, BusTiming

SPIKE = "spike"  # a fault of the probe, not an act
WIDEST_SPIKE_NS = 40  # below the 50 ns of UM10204 table 11, tSP
TRAFFIC_FAULTS = (*FAULTS, SPIKE)


def random_traffic(
    seed: int,
    *,
    faults: Collection[str] = (),
    acts: int = 20,
    timing: BusTiming = STANDARD,
    rise_ns: int = 300,
    jitter_ns: int = 0,
    sample_rate_hz: int | None = None,
    clock: Clock | None = None,
    cut: bool = False,
) -> Run:
    """Random traffic between one controller and four targets.

    About one act in three is a fault when any is given. `Run.captured_transactions()` are those
    within the capture as a whole, in true time; `Run.capture_ns` turns a true time into the
    capture's.

    Args:
        seed: >= 0; the same seed gives the same run.
        faults: words of `TRAFFIC_FAULTS`.
        acts: number of episodes, each one to five transactions.
        timing: the controller's times.
        rise_ns: of both lines.
        jitter_ns: spread of the controller's times, and twice that of the rises.
        sample_rate_hz: of the capture; None notes each change to the ns. Spikes need None.
        clock: the capture's; None for true time.
        cut: the capture begins and ends at random times.

    Raises:
        ValueError: for an unknown fault, or sampled spikes (a sample would make them wide).
    """
    unknown = set(faults) - set(TRAFFIC_FAULTS)
    if unknown:
        raise ValueError(f"unknown faults {sorted(unknown)}, known are {TRAFFIC_FAULTS}")
    if SPIKE in faults and sample_rate_hz is not None:
        raise ValueError("spikes cannot be sampled: they would become as wide as a sample")
    schedule, trace, dice = Schedule(), Trace(), Dice(seed, "traffic")
    bus = Bus(schedule, trace, rise_ns=rise_ns, seed=seed, jitter_ns=jitter_ns // 2)
    players = _players(seed, bus, timing, jitter_ns)
    schedule.start(_play(players, _programme(dice, acts, faults)))
    schedule.run_out()
    bus.ledger.finish()
    if SPIKE in faults:
        probe_spikes(trace, dice, count=acts, widest_ns=WIDEST_SPIKE_NS)
    end_ns = schedule.now_ns + 100_000
    window = sorted(dice.below(end_ns) for _ in range(2)) if cut else [0, end_ns]
    instrument = Instrument(clock or Clock("capture"), sample_rate_hz, window[0], window[1])
    truth = Truth(transactions=bus.ledger.transactions, holds=bus.holds, faults=bus.faults)
    return Run("random traffic", end_ns, trace, instrument, truth)


def _players(seed: int, bus: Bus, timing: BusTiming, jitter_ns: int) -> Players:
    dice = Dice(seed, "players")
    registers = dice.payload(256)
    hold_ns = min(600, timing.low_ns // 3)  # SDA must have risen in time for the clock
    return Players(
        dice,
        bus,
        Controller(bus, timing, stretch_limit_ns=30_000_000, seed=seed, jitter_ns=jitter_ns),
        RegisterFile(bus, "plain", PLAIN, registers=registers, general_call=True, hold_ns=hold_ns),
        Stretchy(bus, "slow", SLOW, slow_ns=4 * timing.low_ns, hold_ns=hold_ns),
        RegisterFile(bus, "wide", WIDE, registers=registers, ten_bit=True, hold_ns=hold_ns),
        RegisterFile(bus, "checked", CHECKED, registers=registers, with_pec=True, hold_ns=hold_ns),
    )


def _programme(dice: Dice, acts: int, faults: Collection[str]) -> list[Act]:
    bad = [FAULTS[word] for word in sorted(faults) if word != SPIKE]
    return [
        dice.pick(bad) if bad and dice.chance(0.35) else dice.pick(PLAIN_ACTS) for _ in range(acts)
    ]


def _play(players: Players, programme: list[Act]) -> Program[None]:
    yield 50_000
    for act in programme:
        yield from act(players)
        yield 30_000 + players.dice.below(200_000)
