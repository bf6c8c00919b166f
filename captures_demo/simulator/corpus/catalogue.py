"""All causes by their words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from captures_demo.simulator.corpus import (
    callers,
    clock_lines,
    contents,
    controllers,
    held_lines,
    power,
    targets,
    wires,
)
from captures_demo.simulator.corpus.labels import LabelledRun
from captures_demo.simulator.corpus.recipes import Maker
from captures_demo.simulator.corpus.variant import Variant


def _fine(variant: Variant) -> Variant:
    return variant.with_samples(20)


def _joined(variant: Variant) -> Variant:
    return replace(variant, joint_ns=0)


def _apart(variant: Variant) -> Variant:
    return replace(variant, joint_ns=max(variant.joint_ns, 300_000))


def _slowly(variant: Variant) -> Variant:
    return replace(variant, period_ns=max(variant.period_ns, 70_000_000))


def _with_pec(variant: Variant) -> Variant:
    return variant.with_part(pec=True)


def _no_pec(variant: Variant) -> Variant:
    return variant.with_part(pec=False)


_MAKERS = (
    Maker("orphaned-read", held_lines.orphaned_read),
    Maker("zero-stream-orphan", held_lines.zero_stream_orphan, change=_no_pec),
    Maker("orphaned-acknowledge", held_lines.orphaned_acknowledge),
    Maker("bit-slip", wires.bit_slip, change=_fine),
    Maker("hand-over-dip", held_lines.hand_over_dip, change=lambda each: each.with_samples(80)),
    Maker("recovery-in-transaction", clock_lines.recovery_in_transaction),
    Maker("clock-held-by-target", clock_lines.clock_held_by_target),
    Maker("clock-held-by-controller", clock_lines.clock_held_by_controller),
    Maker("stretch-creep", clock_lines.stretch_creep),
    Maker(
        "runt-after-stretch",
        clock_lines.runt_after_stretch,
        change=_fine,
        driver=clock_lines.Runty,
        filter_ns=200,
    ),
    Maker("slow-edges", wires.slow_edges, change=_fine, driver=wires.OpenLoop),
    Maker("interference-burst", wires.interference_burst, change=_fine),
    Maker("crosstalk", wires.crosstalk, change=_fine),
    Maker("supply-dip", power.supply_dip),
    Maker("clamped-bus", power.clamped_bus),
    Maker("hot-insertion", power.hot_insertion),
    Maker("config-amnesia", power.config_amnesia),
    Maker("phantom-busy", controllers.phantom_busy),
    Maker("spurious-abort", controllers.spurious_abort),
    Maker("nack-trap", controllers.nack_trap),
    Maker("wrong-transaction", controllers.wrong_transaction),
    Maker(
        "data-dependent-corruption",
        controllers.data_dependent_corruption,
        driver=controllers.Hasty,
    ),
    Maker("length-cap", controllers.length_cap, change=_no_pec),
    Maker("joint-error", controllers.joint_error, change=_joined),
    Maker("second-controller", controllers.second_controller),
    Maker("probe-damage", controllers.probe_damage),
    Maker("interleaved-callers", callers.interleaved_callers, change=_apart),
    Maker("starved-transfer", callers.starved_transfer, change=_slowly, driver=callers.Starved),
    Maker("nack-hammer", callers.nack_hammer),
    Maker("read-too-soon", callers.read_too_soon, change=_apart),
    Maker("mux-misroute", callers.mux_misroute),
    Maker("deaf-target", targets.deaf_target),
    Maker("busy-target", targets.busy_target),
    Maker("frozen-target", targets.frozen_target),
    Maker("released-line", targets.released_line),
    Maker("address-clash", targets.address_clash),
    Maker("missed-data-ready", targets.missed_data_ready, lines=("drdy",)),
    Maker("leftover-byte", contents.leftover_byte, change=_no_pec, sensor=contents.Responder),
    Maker("fifo-slip", contents.fifo_slip, change=_no_pec, sensor=contents.FifoSensor),
    Maker(
        "deterministic-check-failure",
        contents.deterministic_check_failure,
        change=_with_pec,
        sensor=contents.Miscounting,
    ),
)

CAUSES: Mapping[str, Maker] = MappingProxyType({maker.cause: maker for maker in _MAKERS})


def labelled(cause: str, variant: int, *, healthy: bool = False) -> LabelledRun:
    """One run of the corpus; the same every time.

    Args:
        cause: a key of `CAUSES`.
        variant: its number, from 0.
        healthy: the twin: the same bench and seed, nothing injected.

    Raises:
        ValueError: for an unknown cause or a negative number.
    """
    if cause not in CAUSES:
        raise ValueError(f"unknown cause {cause!r}, known are {', '.join(CAUSES)}")
    return CAUSES[cause](variant, healthy=healthy)
