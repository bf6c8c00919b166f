"""The demo: the cap line of an invented cider works, and the bench simulator that recorded it."""

DISTRIBUTION = "lastack"
