"""The table of experiments: what to do, what may come of it, and what each cause makes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Row = tuple[float, ...]  # probability of each outcome; they add up to 1


@dataclass(frozen=True, slots=True)
class Experiment:
    """Something to do at the bench.

    Attributes:
        slug: its word in files.
        title: what to do, as an order.
        cost: 1 a setting, 2 a change of firmware, 3 a change of wiring.
        outcomes: what may come of it, in words.
        predicted: by slug of the cause, the probability of each outcome.
        otherwise: of every cause that is not named, and of "something else".
        care: what to mind while doing it, "" when nothing.
    """

    slug: str
    title: str
    cost: int
    outcomes: tuple[str, ...]
    predicted: Mapping[str, Row]
    otherwise: Row
    care: str = ""


GONE = ("gone", "less", "unchanged")
WORKS = ("works at once", "does not help")
_SURE_GONE, _GONE, _LESS, _SAME = (
    (0.92, 0.06, 0.02),
    (0.75, 0.2, 0.05),
    (0.25, 0.6, 0.15),
    (0.04, 0.11, 0.85),
)
_YES, _LIKELY, _NO = (0.95, 0.05), (0.8, 0.2), (0.08, 0.92)
_EVEN2 = (0.5, 0.5)


def _same(row: Row, *slugs: str) -> dict[str, Row]:
    return dict.fromkeys(slugs, row)


EXPERIMENTS: tuple[Experiment, ...] = (
    Experiment(
        "poll-rate",
        "Double the poll rate, then halve it",
        1,
        ("dies at the same count", "dies at the same time", "both scatter", "gone when slower"),
        {
            **_same((0.9, 0.03, 0.05, 0.02), "counter-runs-out", "leftover-byte"),
            **_same((0.55, 0.1, 0.25, 0.1), "fifo-slip", "heap-starvation"),
            **_same((0.02, 0.93, 0.03, 0.02), "tick-rollover"),
            **_same((0.05, 0.25, 0.2, 0.5), "nack-hammer", "frozen-target", "read-too-soon"),
            **_same((0.1, 0.1, 0.2, 0.6), "interleaved-callers", "joint-error"),
        },
        (0.08, 0.08, 0.8, 0.04),
    ),
    Experiment(
        "clock-it-free",
        "At the hold, clock slowly with SDA released until SDA is high, then STOP; "
        "count the clocks",
        2,
        ("free in the number foretold", "free after one clock", "never free", "free in another"),
        {
            "orphaned-read": (0.9, 0.04, 0.02, 0.04),
            "zero-stream-orphan": (0.75, 0.03, 0.17, 0.05),
            "orphaned-acknowledge": (0.04, 0.92, 0.02, 0.02),
            "bit-slip": (0.2, 0.2, 0.1, 0.5),
            **_same((0.03, 0.02, 0.92, 0.03), "clamped-bus", "clock-held-by-target"),
            **_same((0.03, 0.02, 0.92, 0.03), "clock-held-by-controller"),
            "supply-dip": (0.1, 0.1, 0.7, 0.1),
        },
        (0.2, 0.15, 0.45, 0.2),
        "Further clocks without a STOP may write a register; actuators may start.",
    ),
    Experiment(
        "restart-controller",
        "Re-initialise the controller only, the targets left as they are",
        1,
        WORKS,
        {
            **_same(
                _YES,
                "phantom-busy",
                "nack-trap",
                "spurious-abort",
                "clock-held-by-controller",
                "counter-runs-out",
                "tick-rollover",
            ),
            **_same(_LIKELY, "missed-data-ready", "interrupt-storm", "heap-starvation"),
            **_same(_LIKELY, "mux-misroute", "deaf-uart"),
            **_same(
                _NO,
                "orphaned-read",
                "zero-stream-orphan",
                "orphaned-acknowledge",
                "clock-held-by-target",
                "clamped-bus",
                "frozen-target",
                "released-line",
                "address-clash",
            ),
            "config-amnesia": (0.6, 0.4),
        },
        _EVEN2,
    ),
    Experiment(
        "power-target",
        "Cut and restore the supply of the target only",
        3,
        WORKS,
        {
            **_same(
                _YES,
                "clock-held-by-target",
                "orphaned-read",
                "zero-stream-orphan",
                "orphaned-acknowledge",
                "frozen-target",
                "released-line",
                "leftover-byte",
            ),
            **_same(_LIKELY, "supply-dip", "probe-damage", "fifo-slip"),
            **_same(
                _NO,
                "clock-held-by-controller",
                "phantom-busy",
                "nack-trap",
                "clamped-bus",
                "missed-data-ready",
                "counter-runs-out",
                "tick-rollover",
                "mux-misroute",
            ),
            "config-amnesia": (0.3, 0.7),
        },
        _EVEN2,
        "A target may stay half powered through its lines: discharge its supply.",
    ),
    Experiment(
        "half-speed",
        "Halve the bus clock, or the pull-up resistors",
        1,
        GONE,
        {
            "slow-edges": _SURE_GONE,
            "crosstalk": _LESS,
            "runt-after-stretch": _LESS,
            "starved-transfer": _SAME,
            **_same((0.1, 0.3, 0.6), "bit-slip", "interference-burst"),
        },
        _SAME,
    ),
    Experiment(
        "network-off",
        "Run without the network",
        1,
        GONE,
        {
            **_same(_GONE, "starved-transfer", "heap-starvation"),
            **_same(
                _SURE_GONE,
                "reconnect-storm",
                "half-open",
                "at-most-once-loss",
                "client-id-duel",
                "subscription-not-restored",
            ),
            "keep-alive-starvation": (0.3, 0.1, 0.6),
        },
        _SAME,
    ),
    Experiment(
        "actuators-off",
        "Leave the actuators off, or give them their own supply",
        3,
        GONE,
        {
            "interference-burst": _SURE_GONE,
            "supply-dip": _GONE,
            "bit-slip": _LESS,
            "config-amnesia": _LESS,
        },
        _SAME,
    ),
    Experiment(
        "extra-supply",
        "Record the supply as a further channel",
        3,
        ("it dips", "it does not dip"),
        {
            "supply-dip": (0.95, 0.05),
            "config-amnesia": (0.6, 0.4),
            "interference-burst": (0.3, 0.7),
            "clamped-bus": (0.7, 0.3),
        },
        (0.06, 0.94),
    ),
    Experiment(
        "wait-before-read",
        "Wait a fixed, generous time between command and read",
        2,
        GONE,
        {
            "read-too-soon": _SURE_GONE,
            "busy-target": _GONE,
            "joint-error": _LESS,
            "nack-hammer": _LESS,
        },
        _SAME,
    ),
    Experiment(
        "one-caller",
        "Let one task alone use the bus, or lock it from command to reply",
        2,
        GONE,
        {
            "interleaved-callers": _SURE_GONE,
            "second-controller": _GONE,
            "mux-misroute": _GONE,
            "wrong-transaction": _LESS,
            "recovery-in-transaction": _LESS,
            "hand-over-dip": _LESS,
        },
        _SAME,
    ),
    Experiment(
        "no-recovery",
        "Run without the driver's bus recovery",
        2,
        GONE,
        {
            "hand-over-dip": _SURE_GONE,
            "recovery-in-transaction": _SURE_GONE,
            "zero-stream-orphan": _LESS,
        },
        _SAME,
    ),
    Experiment(
        "longer-limit",
        "Double the time the controller waits for a stretched clock",
        1,
        GONE,
        {
            "stretch-creep": (0.5, 0.45, 0.05),
            "recovery-in-transaction": _SURE_GONE,
            "clock-held-by-target": _SAME,
        },
        _SAME,
    ),
    Experiment(
        "no-stretch",
        "Set the target to its mode without stretching, or bit-bang the bus",
        2,
        GONE,
        {"runt-after-stretch": _SURE_GONE, "stretch-creep": _GONE, "starved-transfer": _SAME},
        _SAME,
    ),
    Experiment(
        "polling",
        "Poll in place of the interrupt",
        2,
        GONE,
        {"missed-data-ready": _SURE_GONE},
        _SAME,
    ),
    Experiment(
        "read-by-hand",
        "At the silence, read the device once by hand",
        1,
        WORKS,
        {
            "missed-data-ready": _YES,
            **_same(_NO, "phantom-busy", "nack-trap", "clock-held-by-target", "address-clash"),
            **_same(_LIKELY, "counter-runs-out", "tick-rollover"),
        },
        (0.3, 0.7),
    ),
    Experiment(
        "preload-tick",
        "Preload the tick shortly before it wraps",
        2,
        ("fails within a minute", "runs on"),
        {"tick-rollover": (0.95, 0.05)},
        (0.04, 0.96),
    ),
    Experiment(
        "length-sweep",
        "Send or read lengths in steps across the edge",
        1,
        ("one sharp edge", "no edge"),
        {"oversize-drop": (0.97, 0.03), "length-cap": (0.97, 0.03), "heap-starvation": (0.3, 0.7)},
        (0.04, 0.96),
    ),
    Experiment(
        "unique-id",
        "Give every client an id of its own",
        1,
        GONE,
        {"client-id-duel": _SURE_GONE, "reconnect-storm": _LESS},
        _SAME,
    ),
    Experiment(
        "longer-keep-alive",
        "Lengthen the keep-alive",
        1,
        ("drops vanish, the long call stays", "unchanged", "loss grows with it"),
        {"keep-alive-starvation": (0.93, 0.05, 0.02), "half-open": (0.05, 0.1, 0.85)},
        (0.05, 0.9, 0.05),
    ),
    Experiment(
        "halve-keep-alive",
        "Halve the keep-alive",
        1,
        ("loss halves", "unchanged", "more drops"),
        {"half-open": (0.9, 0.08, 0.02), "keep-alive-starvation": (0.02, 0.2, 0.78)},
        (0.05, 0.9, 0.05),
    ),
    Experiment(
        "qos-1",
        "Publish with QoS 1",
        1,
        ("holes become repeats or delays", "unchanged"),
        {"at-most-once-loss": (0.95, 0.05), "half-open": (0.8, 0.2), "oversize-drop": (0.05, 0.95)},
        (0.05, 0.95),
    ),
    Experiment(
        "clean-session",
        "Connect with a clean session",
        1,
        GONE,
        {"redelivery": _SURE_GONE, "stale-retained-command": _SAME},
        _SAME,
    ),
    Experiment(
        "clear-retained",
        "Clear the retained message of the command's topic",
        1,
        GONE,
        {"stale-retained-command": _SURE_GONE, "redelivery": _SAME},
        _SAME,
        "Clear the actuators' way first: they may move once more.",
    ),
    Experiment(
        "subscribe-by-hand",
        "Make the board subscribe again",
        1,
        ("cured until the next reconnect", "does not help"),
        {"subscription-not-restored": (0.97, 0.03), "delivered-but-ignored": (0.05, 0.95)},
        (0.06, 0.94),
    ),
    Experiment(
        "repeat-when-idle",
        "Send the ignored command again while the board is idle",
        1,
        ("followed", "ignored again"),
        {
            "delivered-but-ignored": (0.93, 0.07),
            "subscription-not-restored": (0.02, 0.98),
            "oversize-drop": (0.02, 0.98),
        },
        _EVEN2,
    ),
    Experiment(
        "old-firmware",
        "Run the earlier firmware on one node",
        2,
        ("the old fields are back", "unchanged"),
        {"schema-drift": (0.95, 0.05)},
        (0.04, 0.96),
    ),
    Experiment(
        "fixed-reconnects",
        "Force reconnects at a fixed rate with all else idle",
        2,
        ("memory steps down with each", "memory stays"),
        {
            "reconnect-storm": (0.9, 0.1),
            "heap-starvation": (0.5, 0.5),
            "client-id-duel": (0.1, 0.9),
        },
        (0.1, 0.9),
    ),
    Experiment(
        "prints-off",
        "Run with prints off, or kept in memory",
        1,
        ("fails more", "unchanged", "gone"),
        {"read-too-soon": (0.45, 0.45, 0.1), "starved-transfer": (0.05, 0.35, 0.6)},
        (0.05, 0.9, 0.05),
    ),
    Experiment(
        "provoke",
        "Provoke it: ask an empty address once, ground a line for a moment, reset inside a read",
        2,
        (
            "the empty address does it",
            "the grounded line does it",
            "the reset does it",
            "none does",
        ),
        {
            "nack-trap": (0.93, 0.02, 0.02, 0.03),
            "phantom-busy": (0.02, 0.9, 0.03, 0.05),
            "hot-insertion": (0.02, 0.85, 0.03, 0.1),
            "orphaned-read": (0.02, 0.02, 0.92, 0.04),
            "orphaned-acknowledge": (0.02, 0.03, 0.8, 0.15),
            "interrupt-storm": (0.4, 0.3, 0.1, 0.2),
        },
        (0.03, 0.07, 0.1, 0.8),
        "Grounding a line is harmless to open-drain drivers, not to others.",
    ),
    Experiment(
        "no-scan",
        "Never scan, or scan with the other direction",
        1,
        GONE,
        {"probe-damage": _SURE_GONE},
        _SAME,
    ),
    Experiment(
        "back-off",
        "Wait longer and longer between retries",
        2,
        GONE,
        {"nack-hammer": _SURE_GONE, "busy-target": _LESS},
        _SAME,
    ),
    Experiment(
        "other-joint",
        "Join write and read the other way: repeated START for STOP and START, or the reverse",
        2,
        GONE,
        {"joint-error": _SURE_GONE, "interleaved-callers": _LESS},
        _SAME,
    ),
    Experiment(
        "dummy-read",
        "Insert a read of exactly what is loaded before the next request",
        2,
        GONE,
        {"leftover-byte": _SURE_GONE, "fifo-slip": _LESS},
        _SAME,
    ),
    Experiment(
        "set-up-again",
        "Write the device's set-up once more",
        1,
        WORKS,
        {"config-amnesia": _YES, "fifo-slip": _NO, "frozen-target": _NO, "released-line": _NO},
        (0.15, 0.85),
    ),
    Experiment(
        "unplug-one",
        "Unplug one device after the other",
        3,
        ("one of them takes it away", "unchanged"),
        {
            "address-clash": (0.95, 0.05),
            "clamped-bus": (0.85, 0.15),
            "clock-held-by-target": (0.7, 0.3),
        },
        (0.15, 0.85),
    ),
    Experiment(
        "restart-uart",
        "Re-initialise the UART only",
        1,
        WORKS,
        {"deaf-uart": _YES},
        (0.06, 0.94),
    ),
    Experiment(
        "reset-line",
        "Record the controller's reset line as a further channel",
        3,
        ("a reset comes before the hold", "a reset frees the line", "neither"),
        {
            "orphaned-read": (0.8, 0.02, 0.18),
            "interrupt-storm": (0.6, 0.1, 0.3),
            "clock-held-by-controller": (0.05, 0.85, 0.1),
            "clock-held-by-target": (0.05, 0.05, 0.9),
        },
        (0.05, 0.1, 0.85),
    ),
)
