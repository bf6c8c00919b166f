"""The run store: everything a recording saw, appended crash-safe and read back in order."""
