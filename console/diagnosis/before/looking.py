"""What was different just before a peripheral stopped."""

from __future__ import annotations

from collections.abc import Callable

from console.diagnosis.before import (
    content,
    lines,
    neighbours,
    numbers,
    restarts,
    said,
    shapes,
    timing,
)
from console.diagnosis.before.difference import TOLD_BELOW, UNSEEN, Difference, Differences
from console.diagnosis.before.history import History, history_of
from console.diagnosis.before.judging import Kind, Tested, judged
from console.diagnosis.before.kinds import KINDS, LAST, places
from console.diagnosis.before.windows import Heard, heard
from console.diagnosis.scene import Scene

# Kinds that look at the bus, and those that look at what sources of a kind said.
_ON_BUS: dict[str, Callable[[History], Kind | None]] = {
    "shape": shapes.shape,
    "order": shapes.order,
    "gap": timing.gap,
    "length": timing.length,
    "growth": timing.growth,
    "bytes": content.rare_bytes,
    "leftover": content.leftover,
    "neighbour": neighbours.neighbour,
    "lines": lines.lines,
    "pulses": lines.pulses,
}
_SAID: dict[str, dict[str, Callable[[History, Heard], Kind | Tested | None]]] = {
    "prints": {
        "prints": said.prints,
        "numbers": numbers.numbers,
        "memory": numbers.memory,
        "restart": restarts.restart,
    },
    "messages": {"messages": said.messages, "values": numbers.values},
    "happenings": {"happenings": said.happenings},
}
_NOT_LOOKED_AT = {
    "neighbour": "neighbour: it is alone on its bus",
    "pulses": "pulses: the levels of the wire were not kept here",
}


def differences(scene: Scene) -> Differences:
    """What was rare in the final window of an episode, beside the peripheral's healthy polls.

    Args:
        scene: of an episode that failed.
    """
    history = history_of(scene)
    if history is None:
        return Differences((), (), (), ["there is no answered poll before it"], 0, 1.0)
    found: list[Kind | Tested] = []
    names: list[str] = []
    missing: list[str] = []
    for name, look in _ON_BUS.items():
        kind = look(history)
        if kind is None:
            missing.append(_NOT_LOOKED_AT[name])
        else:
            names.append(name)
            found.append(kind)
    for table, kinds in _SAID.items():
        rows = _heard(history, table)
        if rows is None:
            missing += [f"{name}: {UNSEEN}" for name in kinds]
            continue
        names += kinds
        found += [one for each in kinds.values() if (one := each(history, rows)) is not None]
    odd = judged(found, names)
    healthy = int(history.units.healthy.sum())
    return Differences(
        ranked=_best_of_kind([one for one in odd if one.p <= TOLD_BELOW]),
        noticed=odd,
        kinds=names,
        not_observable=missing,
        healthy=healthy,
        least_p=_least_p(names, healthy),
    )


def _heard(history: History, table: str) -> Heard | None:
    """The rows of a table up to the failure; of happenings, those of any source."""
    scene = history.scene
    kinds = {"prints": ["prints"], "messages": ["messages", "network"]}.get(table)
    on_axis = [each for each in scene.sources if not each.off_axis]
    sources = [each for each in on_axis if kinds is None or each.kind in kinds]
    if kinds is None and not scene.table(table).height:
        return None  # only recorded runs have any
    return heard(history, table, sources)


def _best_of_kind(odd: list[Difference]) -> list[Difference]:
    """Of every kind its most surprising one."""
    best: dict[str, Difference] = {}
    for one in odd:
        best.setdefault(one.kind, one)
    return list(best.values())


def _least_p(names: list[str], healthy: int) -> float:
    """What p something that never was before would have, in the kind that is trusted most."""
    if not names:
        return 1.0
    total = sum(KINDS[name] for name in names)
    spent = max(KINDS[name] * places(name)[LAST] for name in names) / total
    return min(1.0, 1 / (healthy + 1) / spent)
