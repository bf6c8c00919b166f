"""What a sheet about one event holds, and how each kind of event is laid out on it."""
