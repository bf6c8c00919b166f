"""The sum of the camera's packets."""

from __future__ import annotations


def sum16(payload: bytes) -> bytes:
    """Sum of all bytes modulo 65536, the high byte first."""
    return (sum(payload) & 0xFFFF).to_bytes(2, "big")
