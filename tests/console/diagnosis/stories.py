"""An episode for tests that only need one."""

from __future__ import annotations

from console.diagnosis.episode import Episode

S = 1_000_000_000


def some_episode(device: str = "camera", *, failed: bool = True) -> Episode:
    """A life of 2,047 polls, one a second, and then 74 unanswered transactions."""
    return Episode(
        device=device,
        source="wire",
        bus="i2c-1",
        address=0x2E,
        address_bits=7,
        first_good_ns=1 * S,
        last_good_ns=2_047 * S,
        first_bad_ns=2_048 * S,
        until_ns=2_122 * S,
        failed=failed,
        recovered=False,
        how="address-nack" if failed else "",
        transactions_answered=4_094,
        polls_answered=2_047,
        transactions_unanswered=74,
    )
