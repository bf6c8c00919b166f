"""Links lost again and again: two clients of one id, reconnects that wear the board out."""

from __future__ import annotations

import math

import numpy as np

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import HEALTHY_BUS
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.memory import shrinking, sizes
from console.diagnosis.causes.often import times
from console.diagnosis.causes.standing import blocked_before
from console.diagnosis.scene import Int64s, Scene

_ALIKE = 1.5  # times longer that one of two equal back-offs may seem
_BY_CHANCE = 0.01


def client_id_duel(_scene: Scene, facts: Facts) -> Answer:
    """Two clients share an id and evict each other."""
    lost, found = facts.run.link.lost_ns, facts.run.link.found_ns
    steps = np.diff(lost)
    steady = len(steps) >= 3 and float(np.percentile(steps, 75)) < 1.6 * float(np.median(steps))
    said = len(facts.run.link.taken_over_ns)
    quick = _lasts_a_back_off(lost, found)
    return judged(
        needed(
            len(lost) >= 4 if facts.run.has_prints else None,
            f"the link was lost {times(len(lost))}",
            "the link was not lost again and again",
            "whether the link was lost: there is no log",
            strength=WEAK,
        ),
        needed(
            steady or said > 0,
            "at one interval, as the other client comes back",
            "at intervals that differ",
            strength=FAIR if said else WEAK,
        ),
        needed(
            said > 0 or quick,
            "the broker says that the session was taken over"
            if said
            else "it lasts as long as it is away, as two clients with one back-off make it",
            "the link lasts longer, or less long, than it is away",
            strength=STRONG if said else WEAK,
            at=Place("", int(facts.run.link.taken_over_ns[0])) if said else Place(),
        ),
        telling(
            facts.run.link.whences > 1 or None,
            "one id connects from several addresses",
            "",
            "from where the id connects: the broker does not say",
            strength=FAIR,
        ),
        unless(bool(facts.run.once(blocked_before)), "the board stood before each loss"),
        unless(facts.run.once(shrinking) is not None, "memory went down with each reconnect"),
    )


def _lasts_a_back_off(lost: Int64s, found: Int64s) -> bool:
    """Whether a link that was found lasts as long as it is away.

    Clients of one id are mostly of one program: both come back after the same back-off, so the
    link lasts as long as the other one waits.
    """
    if len(lost) < 4 or len(found) < 3:
        return False
    after = np.concatenate([found, [2**62]])[found.searchsorted(lost)] - lost
    lasted = np.concatenate([lost, [2**62]])[lost.searchsorted(found)] - found
    ratio = float(np.median(lasted)) / max(float(np.median(after)), 1.0)
    return 1 / _ALIKE < ratio < _ALIKE


def reconnect_storm(_scene: Scene, facts: Facts) -> Answer:
    """Reconnects come faster and faster, each takes memory, and a fault elsewhere follows."""
    back = facts.run.link.found_ns
    costs = facts.run.once(shrinking) is not None
    return judged(
        needed(
            len(back) >= 5 if facts.run.has_prints else None,
            f"the link was found again {times(len(back))}",
            "the link was not found again and again",
            "whether the link was lost: there is no log",
            strength=FAIR,
        ),
        needed(
            _ever_shorter(np.diff(back)),
            "the reconnects come faster and faster",
            "no faster than reconnects at random seem to",
            strength=FAIR,
        ),
        needed(
            costs if facts.run.once(sizes) else None,
            "free memory goes down meanwhile",
            "free memory does not go down",
            "what reconnects cost: no size of free memory is printed",
            strength=FAIR,
        ),
        unless(len(facts.run.link.taken_over_ns) > 0, "another client took the session over"),
    )


def _ever_shorter(steps: Int64s) -> bool:
    """Whether times between events get shorter, more so than by chance.

    The rank test of Mann and Kendall over all steps, ties and continuity corrected for: steps in a
    random order, however they scatter, pass it once in a hundred times at most (H. B. Mann,
    Econometrica 13, 1945, 245-259; M. G. Kendall, Rank Correlation Methods, 4th ed. 1975).
    """
    n = len(steps)
    ties = np.unique(steps, return_counts=True)[1].astype(float)
    score = sum(int(np.sign(steps[k + 1 :] - steps[k]).sum()) for k in range(n))
    spread = n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())
    if score >= 0 or spread <= 0:
        return False
    return math.erfc((-score - 1) / math.sqrt(spread / 18) / math.sqrt(2)) / 2 <= _BY_CHANCE


CAUSES = (
    Cause(
        "client-id-duel",
        "Two clients share an id and evict each other",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("prints",),
        client_id_duel,
        ("unique-id",),
        "",
        "MQTT 3.1.1 section 3.1.4; MQTT 5.0 reason 0x8E",
    ),
    Cause(
        "reconnect-storm",
        "Reconnects come faster and faster, each at the cost of memory",
        "network",
        (HEALTHY_BUS,),
        1.0,
        ("prints",),
        reconnect_storm,
        ("fixed-reconnects",),
        "",
        "seen in public issue reports",
    ),
)
