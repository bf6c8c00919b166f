"""Experiments with the link to the broker and with what goes over it."""

from __future__ import annotations

from console.diagnosis.causes.experiment import EVEN, GONE, LESS, SAME, SURE_GONE, Experiment

EXPERIMENTS: tuple[Experiment, ...] = (
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
        {"client-id-duel": SURE_GONE, "reconnect-storm": LESS},
        SAME,
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
        {"redelivery": SURE_GONE, "stale-retained-command": SAME},
        SAME,
    ),
    Experiment(
        "clear-retained",
        "Clear the retained message of the command's topic",
        1,
        GONE,
        {"stale-retained-command": SURE_GONE, "redelivery": SAME},
        SAME,
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
        EVEN,
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
)
