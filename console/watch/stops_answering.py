"""The rule that finds the peripheral that stopped answering, after how much, when and how.

It applies to every target seen on a bus, described or not. Of a stop the evidence says:

- `device`, `address`: who; a target without a name is called by its address and bus.
- `transactions_answered`, `polls_answered`: what it answered since its first good transaction, or
  since it answered again after an earlier stop. A transaction is answered when the address and all
  written bytes were acknowledged; a poll when its last transaction was, or, where its packets are
  described, when an exchange got a reply (a valid one, a late one, or a single wrong one).
- `last_good_ns`: start of the last answered transaction before `first_bad_ns`.
- `first_bad_ns`: start of the first transaction not answered. For `sda-stuck` and `scl-stuck`
  without one, when the line was first held; for `not-asked`, when the next poll was due.
- `elapsed_s`: from the first good transaction to the last good one, in seconds.
- `transactions_unanswered`: from `first_bad_ns` on, until it answered again or the run ended. In
  polls that were acknowledged but answered with filler or invalid replies, their reads.
- `how`: `address-nack`, `data-nack`, `filler`, `invalid`, `sda-stuck`, `scl-stuck`, `not-asked`.
- `recovered_ns`: only if it answered (or was asked) again: start of that transaction.

A run that merely ends is no stop: `not-asked` needs other traffic on the bus, or prints, after the
target's silence has become too long, while its source was still watched.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np

from console.watch.asked import BusKey, BusLives, TargetKey, asked_by_target, exchanges_by_device
from console.watch.episodes import Target
from console.watch.findings import Finding, Severity
from console.watch.names import Names, address_text
from console.watch.polls import Asked, nothing_asked
from console.watch.rule import Batch, Words
from console.watch.silences import Silence, SilenceFinder
from console.watch.stop_words import StopWords
from console.watch.stops import Limits, Stop

# Stops of one target told one by one; a device that comes and goes all day fills no screen.
STOPS_TOLD = 20


@dataclass(slots=True)
class _Watched:
    """One target and what is kept about it."""

    target: Target
    silences: SilenceFinder = field(default_factory=SilenceFinder)
    told: int = 0
    untold: int = 0
    first_untold: Stop | None = None


class StopsAnswering:
    """A fold to the stops of every target, or of one device.

    Args:
        names: who is who.
        limits: when a target counts as stopped.
        severity: of a stop.
        only: the one device it is about; None for every target.
        others: devices that other rules are about.
    """

    def __init__(
        self,
        names: Names,
        limits: Limits | None = None,
        severity: Severity = "fault",
        *,
        only: str | None = None,
        others: Collection[str] = (),
    ) -> None:
        self._names = names
        self._limits = limits or Limits()
        self._severity: Severity = severity
        self._only = only
        self._others = frozenset(others)
        self._targets: dict[TargetKey, _Watched] = {}
        self._lives = BusLives()
        self._observed_until: Mapping[str, int] = {}
        self._words = StopWords(names, Words(0), severity)

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = StopWords(self._names, Words(start_ns), self._severity)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; return the stops that are over."""
        findings = []
        for key, stops in self.stops(batch).items():
            findings += self._told(key, self._targets[key], stops)
        return findings

    def finish(self, until_ns: int) -> list[Finding]:
        """Return the stops that last, what was missed, and who never answered."""
        findings: list[Finding] = []
        silent: dict[BusKey, dict[TargetKey, Target]] = {}
        for key, stops in self.last_stops(until_ns).items():
            watched = self._targets[key]
            target = watched.target
            if target.ever_good:
                findings += self._told(key, watched, stops) + self._rest(key, watched)
            elif key.bus.bus and (key.bus.bus, key.address) in self._names.devices:
                findings.append(self._words.never_at_all(key, target, self._if_never(target)))
            else:
                silent.setdefault(key.bus, {})[key] = target
        return findings + [self._words.never(bus, some) for bus, some in silent.items()]

    def stops(self, batch: Batch) -> dict[TargetKey, list[Stop]]:
        """Take the next batch; return the stops that are over, as they are and by target.

        Instead of `feed`, for whoever asks for lives and not for findings.
        """
        self._observed_until = batch.observed_until
        self._lives.feed(batch)
        asked = {
            key: rows
            for key, rows in asked_by_target(batch.table("transactions"))
            if self._wanted(key)
        }
        exchanges = exchanges_by_device(batch.table("exchanges"))
        for key in asked:
            self._targets.setdefault(key, _Watched(Target(self._limits)))
        found = {}
        none = (np.empty(0, np.int64), np.empty(0, np.uint8))
        for key, watched in self._targets.items():
            rows = asked.get(key)
            # A description whose device has no name goes by the bare address.
            bare = address_text(key.address, key.bits)
            asked_at, outcome = exchanges.get(self.device(key)) or exchanges.get(bare, none)
            if rows is None and not len(asked_at):
                continue
            silences = self._silences(key, watched, rows)
            found[key] = watched.target.feed(rows or nothing_asked(), asked_at, outcome, silences)
        return found

    def last_stops(self, until_ns: int) -> dict[TargetKey, list[Stop]]:
        """The stops left of every target, the one that lasts last; instead of `finish`."""
        found = {}
        for key, watched in self._targets.items():
            end_ns = self.observed_until(key, until_ns)
            silence = watched.silences.finish(end_ns, self._lives.of(key.bus))
            found[key] = watched.target.finish(silence)
        return found

    def observed_until(self, key: TargetKey, until_ns: int) -> int:
        """Until when a target can be judged, in a run that ends at `until_ns`."""
        life = self._lives.of(key.bus)
        return life.observed_until(key.bus.source, until_ns, self._observed_until)

    def target(self, key: TargetKey) -> Target:
        """What is known of a target by now."""
        return self._targets[key].target

    def device(self, key: TargetKey) -> str:
        """What a target is called."""
        return self._names.device(key.bus.bus, key.address, key.bits)

    def _if_never(self, target: Target) -> Severity:
        """A rule about one device says how grave it is; without one it may be not fitted."""
        asked_for = self._only is not None and target.seen.asked >= self._limits.after_polls
        return self._severity if asked_for else "warning"

    def _rest(self, key: TargetKey, watched: _Watched) -> list[Finding]:
        target = watched.target
        found = []
        if target.stop is not None and not target.stop.stopped:
            found.append(self._words.at_the_end(key, target, target.stop))
        if target.seen.misses.count:
            found.append(self._words.missed(key, target))
        if watched.first_untold is not None:
            more = watched.untold - 1
            found.append(self._words.stopped(key, target, watched.first_untold, more))
        return found

    def _told(self, key: TargetKey, watched: _Watched, stops: list[Stop]) -> list[Finding]:
        found = []
        for stop in stops:
            if watched.told < STOPS_TOLD or stop.recovered_ns is None:
                watched.told += 1
                found.append(self._words.stopped(key, watched.target, stop))
            else:
                watched.untold += 1
                watched.first_untold = watched.first_untold or stop
        return found

    def _silences(self, key: TargetKey, watched: _Watched, rows: Asked | None) -> list[Silence]:
        if rows is None:
            return []
        life = self._lives.of(key.bus)
        return watched.silences.feed(rows.start_ns, rows.end_ns, life)

    def _wanted(self, key: TargetKey) -> bool:
        device = self.device(key)
        if self._only is not None:
            return device == self._only
        named = (key.bus.bus, key.address) in self._names.devices
        return device not in self._others and (named or not key.reserved)
