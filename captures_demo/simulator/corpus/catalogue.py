"""All causes by their words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

import captures_demo.simulator.corpus.callers as callers
import captures_demo.simulator.corpus.clock_lines as clock_lines
import captures_demo.simulator.corpus.contents as contents
import captures_demo.simulator.corpus.controllers as controllers
import captures_demo.simulator.corpus.deliveries as deliveries
import captures_demo.simulator.corpus.firmware as firmware
import captures_demo.simulator.corpus.held_lines as held_lines
import captures_demo.simulator.corpus.links as links
import captures_demo.simulator.corpus.power as power
import captures_demo.simulator.corpus.targets as targets
import captures_demo.simulator.corpus.wires as wires
from captures_demo.simulator.corpus.labels import LabelledRun
from captures_demo.simulator.corpus.recipes import Change, Maker, unchanged
from captures_demo.simulator.corpus.variant import SECOND, Variant
from captures_demo.simulator.corpus.works import Works


def _fine(variant: Variant) -> Variant:
    return variant.with_samples(20)


def _joined(variant: Variant) -> Variant:
    return replace(variant, joint_ns=0)


def _apart(variant: Variant) -> Variant:
    return replace(variant, joint_ns=max(variant.joint_ns, 300_000))


def _slowly(variant: Variant) -> Variant:
    return replace(variant, period_ns=max(variant.period_ns, 70_000_000))


def _no_pec(variant: Variant) -> Variant:
    return variant.with_part(pec=False)


def _network(cause: str, inject: Callable[[Works], None], change: Change = unchanged) -> Maker:
    def lasting(variant: Variant) -> Variant:
        return change(variant).lasting(4 * SECOND)

    return Maker(cause, inject, change=lasting, records_clients=True)


_MAKERS = (
    Maker("orphaned-read", held_lines.orphaned_read),
    Maker("zero-stream-orphan", held_lines.zero_stream_orphan, change=_no_pec),
    Maker("orphaned-acknowledge", held_lines.orphaned_acknowledge),
    Maker("bit-slip", wires.bit_slip, change=_fine),
    Maker("hand-over-dip", held_lines.hand_over_dip, change=lambda each: each.with_samples(80)),
    Maker("recovery-in-transaction", clock_lines.recovery_in_transaction),
    Maker("clock-held-by-target", clock_lines.clock_held_by_target),
    Maker(
        "clock-held-by-controller",
        clock_lines.clock_held_by_controller,
        change=clock_lines.fifo_reads,
    ),
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
    Maker("config-amnesia", power.config_amnesia, change=power.read_back),
    Maker("phantom-busy", controllers.phantom_busy),
    Maker("spurious-abort", controllers.spurious_abort),
    Maker("nack-trap", controllers.nack_trap),
    Maker("wrong-transaction", controllers.wrong_transaction),
    Maker(
        "data-dependent-corruption",
        controllers.data_dependent_corruption,
        change=controllers.up_to_127,
        driver=controllers.Hasty,
    ),
    Maker("length-cap", controllers.length_cap, change=controllers.longer_samples),
    Maker("joint-error", controllers.joint_error, change=_joined),
    Maker("second-controller", controllers.second_controller),
    Maker("probe-damage", controllers.probe_damage),
    Maker("interleaved-callers", callers.interleaved_callers, change=_apart),
    Maker("starved-transfer", callers.starved_transfer, change=_slowly, driver=callers.Starved),
    Maker("nack-hammer", callers.nack_hammer),
    Maker("read-too-soon", callers.read_too_soon, change=_apart),
    Maker("mux-misroute", callers.mux_misroute),
    Maker("deaf-target", targets.deaf_target),
    Maker("busy-target", targets.busy_target, change=targets.with_settings),
    Maker("frozen-target", targets.frozen_target),
    Maker("released-line", targets.released_line),
    Maker("address-clash", targets.address_clash),
    Maker("missed-data-ready", targets.missed_data_ready, lines=("drdy",), always=False),
    Maker("tick-rollover", firmware.tick_rollover, change=firmware.wraps),
    Maker("counter-runs-out", firmware.counter_runs_out, change=firmware.at_a_limit),
    Maker("heap-starvation", firmware.heap_starvation),
    Maker("interrupt-storm", firmware.interrupt_storm, change=firmware.longer),
    Maker("deaf-uart", firmware.deaf_uart, lines=("scale_rx", "scale_tx")),
    Maker("leftover-byte", contents.leftover_byte, change=_no_pec, sensor=contents.Responder),
    Maker("fifo-slip", contents.fifo_slip, change=contents.with_fifo, sensor=contents.FifoSensor),
    Maker(
        "deterministic-check-failure",
        contents.deterministic_check_failure,
        change=contents.with_serial,
        sensor=contents.Miscounting,
    ),
    _network("at-most-once-loss", links.at_most_once_loss),
    _network("half-open", links.half_open, links.half_open_variant),
    _network("client-id-duel", links.client_id_duel),
    _network("keep-alive-starvation", links.keep_alive_starvation, links.keep_alive_variant),
    _network("reconnect-storm", links.reconnect_storm),
    _network("subscription-not-restored", deliveries.subscription_not_restored),
    _network("oversize-drop", deliveries.oversize_drop),
    _network("redelivery", deliveries.redelivery),
    _network("stale-retained-command", deliveries.stale_retained_command),
    _network("schema-drift", deliveries.schema_drift),
    _network("delivered-but-ignored", deliveries.delivered_but_ignored),
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
