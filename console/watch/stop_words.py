"""Findings about targets that stopped, missed polls or never answered, in words and evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from console.watch.asked import BusKey, TargetKey
from console.watch.episodes import Target
from console.watch.findings import Finding, Severity, counted
from console.watch.names import Names, address_text
from console.watch.rule import Words
from console.watch.stops import HOWS, NOT_ASKED, SCL_STUCK, SDA_STUCK, Stop, Stretch

RULE = "stops-answering"
EXPECTED = 20  # transactions to an address; a scan asks once or twice
HOW_WORDS = {
    "address-nack": "address not acknowledged",
    "data-nack": "data not acknowledged",
    "filler": "replies of nothing but FF or 00",
    "invalid": "no valid reply",
    "sda-stuck": "SDA held low",
    "scl-stuck": "SCL held low",
    "not-asked": "no longer asked",
}


class StopWords:
    """Words about the targets of one rule."""

    def __init__(self, names: Names, words: Words, severity: Severity) -> None:
        self._names = names
        self._words = words
        self._severity = severity

    def stopped(self, key: TargetKey, target: Target, stop: Stop, more: int = 0) -> Finding:
        """A stop; `more` counts later ones of the same target that are told with it."""
        device = self._names.device(key.bus.bus, key.address, key.bits)
        how = HOWS[stop.how - 1]
        after = f"after {_answered(target, stop.answered)} ({self._span(stop.answered)})"
        at = self._words.at(stop.first_bad_ns)
        evidence = _evidence(device, key, target, stop)
        until = stop.recovered_ns
        lasted = self._words.lasting(until - stop.first_bad_ns) if until is not None else ""
        if stop.how == NOT_ASKED:
            head = (
                f"{device} was not asked for {lasted} from"
                if until
                else f"{device} not asked since"
            )
            summary = f"{head} {at}, {after}, while other things went on"
        elif not polls_answered(target, stop.answered) and until is None:
            summary = f"{device} gave no valid answer at all, from {at} on: {HOW_WORDS[how]}"
        else:
            # With no transaction unanswered it is the bus that stopped, and the target its victim.
            is_victim = stop.how in (SDA_STUCK, SCL_STUCK) and not stop.transactions
            what = "could not be asked from" if is_victim else "stopped answering at"
            summary = f"{device} {what} {at} {after}: {HOW_WORDS[how]}"
            if until is not None:
                summary += f"; it answered again {lasted} later"
            elif is_victim or stop.how not in (SDA_STUCK, SCL_STUCK):  # else the line may be free
                summary += " since"
        if until is not None:
            evidence["recovered_ns"] = until
        if more:
            summary += f" (and {counted(more, 'more time')} like this)"
            evidence["more"] = more
        asked_again = stop.how == NOT_ASKED and until is not None
        severity: Severity = "warning" if asked_again else self._severity
        return self._finding(key, device, stop.first_bad_ns, severity, summary, evidence)

    def at_the_end(self, key: TargetKey, target: Target, stop: Stop) -> Finding:
        """Too few unanswered polls to call it a stop, and then the run ended."""
        device = self._names.device(key.bus.bus, key.address, key.bits)
        polls = "poll" if stop.polls == 1 else counted(stop.polls, "poll")
        summary = (
            f"{device} did not answer the last {polls} of the run, from "
            f"{self._words.at(stop.first_bad_ns)}: {HOW_WORDS[HOWS[stop.how - 1]]}"
        )
        evidence = _evidence(device, key, target, stop)
        return self._finding(key, device, stop.first_bad_ns, "warning", summary, evidence)

    def missed(self, key: TargetKey, target: Target) -> Finding:
        """Short runs of unanswered polls, all told as one."""
        device = self._names.device(key.bus.bus, key.address, key.bits)
        seen = target.seen
        longest = f", the longest of {counted(seen.longest_miss, 'poll')}"
        summary = (
            f"{device} left {counted(seen.missed_polls, 'poll')} unanswered and then answered "
            f"again (busy or missed), in {counted(seen.misses.count, 'run')}"
            f"{longest if seen.misses.count > 1 else ''}; first at "
            f"{self._words.at(seen.misses.first_ns)}"
        )
        stop = Stop(
            target.stretch,
            seen.first_miss_how,
            seen.misses.first_ns,
            transactions=seen.missed_transactions,
        )
        evidence = _evidence(device, key, target, stop) | {
            "missed_polls": seen.missed_polls,
            "longest_polls": seen.longest_miss,
            **seen.misses.evidence(),
        }
        return self._finding(key, device, seen.misses.first_ns, "warning", summary, evidence)

    def never(self, bus: BusKey, targets: Mapping[TargetKey, Target]) -> Finding:
        """Addresses of a bus that were asked and never answered, as by a scan.

        One asked again and again is more than a scan: its controller expects a target there.
        """
        keys = sorted(targets)
        shown = [address_text(key.address, key.bits) for key in keys]
        asked = [targets[key].seen.asked for key in keys]
        what = "address" if len(keys) == 1 else "addresses"
        summary = (
            f"{bus.bus}: {len(keys)} {what} never answered: {_some(shown)}, asked "
            f"{counted(sum(asked), 'time')} in all"
        )
        evidence = {
            "bus": bus.bus,
            "addresses": [key.address for key in keys],
            "transactions": asked,
        }
        first_ns = min(target.seen.first_asked_ns for target in targets.values())
        severity: Severity = "warning" if max(asked) >= EXPECTED else "note"
        return Finding(first_ns, "never-answered", severity, bus.bus, bus.source, summary, evidence)

    def never_at_all(self, key: TargetKey, target: Target, severity: Severity) -> Finding:
        """A device the bench file names that never answered."""
        device = self._names.device(key.bus.bus, key.address, key.bits)
        seen = target.seen
        summary = (
            f"{device} ({address_text(key.address, key.bits)} on {key.bus.bus}) never answered, "
            f"asked {counted(seen.asked, 'time')} from {self._words.at(seen.first_asked_ns)} to "
            f"{self._words.at(seen.last_asked_ns)}"
        )
        evidence = {"device": device, "address": key.address, "transactions": seen.asked}
        party = self._names.party(device)
        source = key.bus.source
        return Finding(
            seen.first_asked_ns, "never-answered", severity, party, source, summary, evidence
        )

    def _finding(
        self,
        key: TargetKey,
        device: str,
        t_ns: int,
        severity: Severity,
        summary: str,
        evidence: dict[str, Any],
    ) -> Finding:
        party = self._names.party(device)
        return Finding(t_ns, RULE, severity, party, key.bus.source, summary, evidence)

    def _span(self, answered: Stretch) -> str:
        return self._words.lasting(answered.last_good_ns - answered.first_good_ns)


def _evidence(device: str, key: TargetKey, target: Target, stop: Stop) -> dict[str, Any]:
    answered = stop.answered
    return {
        "device": device,
        "address": key.address,
        "transactions_answered": answered.transactions,
        "polls_answered": polls_answered(target, answered),
        "last_good_ns": answered.last_good_ns,
        "first_bad_ns": stop.first_bad_ns,
        "elapsed_s": (answered.last_good_ns - answered.first_good_ns) / 1e9,
        "transactions_unanswered": stop.transactions,
        "how": HOWS[stop.how - 1],
    }


def polls_answered(target: Target, answered: Stretch) -> int:
    """Polls as the packet descriptions tell them; else as the gaps do."""
    return answered.exchanges if target.exchanges else answered.polls


def _answered(target: Target, answered: Stretch) -> str:
    return counted(polls_answered(target, answered), "answered poll")


def _some(words: Sequence[str], most: int = 8) -> str:
    more = len(words) - most
    return ", ".join(words[:most]) + (f" and {more} more" if more > 0 else "")
