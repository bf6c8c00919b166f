"""Run against run: what a device is asked and says in one, and not, or otherwise, in another."""
