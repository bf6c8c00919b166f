"""Experiments that run the whole board otherwise, or provoke the fault."""

from __future__ import annotations

from console.diagnosis.causes.experiment import (
    GONE,
    LESS,
    MOSTLY_GONE,
    SAME,
    SURE_GONE,
    Experiment,
    alike,
)

EXPERIMENTS: tuple[Experiment, ...] = (
    Experiment(
        "poll-rate",
        "Double the poll rate, then halve it",
        1,
        ("dies at the same count", "dies at the same time", "both scatter", "gone when slower"),
        {
            **alike((0.9, 0.03, 0.05, 0.02), "counter-runs-out", "leftover-byte"),
            **alike((0.55, 0.1, 0.25, 0.1), "fifo-slip", "heap-starvation"),
            **alike((0.02, 0.93, 0.03, 0.02), "tick-rollover"),
            **alike((0.05, 0.25, 0.2, 0.5), "nack-hammer", "frozen-target", "read-too-soon"),
            **alike((0.1, 0.1, 0.2, 0.6), "interleaved-callers", "joint-error"),
        },
        (0.08, 0.08, 0.8, 0.04),
    ),
    Experiment(
        "network-off",
        "Run without the network",
        1,
        GONE,
        {
            **alike(MOSTLY_GONE, "starved-transfer", "heap-starvation"),
            **alike(
                SURE_GONE,
                "reconnect-storm",
                "half-open",
                "at-most-once-loss",
                "client-id-duel",
                "subscription-not-restored",
            ),
            "keep-alive-starvation": (0.3, 0.1, 0.6),
        },
        SAME,
    ),
    Experiment(
        "actuators-off",
        "Leave the actuators off, or give them their own supply",
        3,
        GONE,
        {
            "interference-burst": SURE_GONE,
            "supply-dip": MOSTLY_GONE,
            "bit-slip": LESS,
            "config-amnesia": LESS,
        },
        SAME,
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
        "preload-tick",
        "Preload the tick shortly before it wraps",
        2,
        ("fails within a minute", "runs on"),
        {"tick-rollover": (0.95, 0.05)},
        (0.04, 0.96),
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
)
