"""Recorded messages and their payloads to fields."""
