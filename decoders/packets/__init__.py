"""Bytes to packets by description; exchanges."""
