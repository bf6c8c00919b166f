"""Every cause that is looked for, in one list. A new one is a row of a family's CAUSES."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from console.diagnosis.causes.cause import Cause
from console.diagnosis.causes.families import (
    callers,
    controllers,
    deliveries,
    driver,
    edges,
    held,
    identity,
    interrupts,
    keep_alive,
    losses,
    pace,
    payloads,
    power,
    queues,
    refusals,
    replies,
    routing,
    running_out,
    sessions,
    subscriptions,
    ticks,
    transfers,
    uart,
    waiting,
)

CAUSES: tuple[Cause, ...] = (
    *held.CAUSES,
    *edges.CAUSES,
    *power.CAUSES,
    *waiting.CAUSES,
    *driver.CAUSES,
    *pace.CAUSES,
    *callers.CAUSES,
    *controllers.CAUSES,
    *routing.CAUSES,
    *transfers.CAUSES,
    *refusals.CAUSES,
    *replies.CAUSES,
    *queues.CAUSES,
    *identity.CAUSES,
    *ticks.CAUSES,
    *running_out.CAUSES,
    *interrupts.CAUSES,
    *uart.CAUSES,
    *losses.CAUSES,
    *keep_alive.CAUSES,
    *subscriptions.CAUSES,
    *sessions.CAUSES,
    *payloads.CAUSES,
    *deliveries.CAUSES,
)
BY_SLUG: Mapping[str, Cause] = MappingProxyType({cause.slug: cause for cause in CAUSES})
