"""Whatever owns a clock, file, port, thread, store or screen."""

DISTRIBUTION = "lastack"
