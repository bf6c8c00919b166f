"""What several tests ask of one scene, worked out once and only when asked for."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.bad_replies import bad_replies
from console.diagnosis.causes.bursts import Burst, bursts_of, clocked_by_hand, dips_of
from console.diagnosis.causes.clocks import SAMPLES_A_PULSE, Clocks, clocks_of
from console.diagnosis.causes.disturbances import Disturbances
from console.diagnosis.causes.ending import end_of_life
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
    Face,
)
from console.diagnosis.causes.hold import Hold, hold_of
from console.diagnosis.causes.once import Once
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.causes.traffic import Traffic, traffic_of
from console.diagnosis.episode import Episode
from console.diagnosis.scene import Int64s, Levels, Scene

MS = 1_000_000
_FINAL_TRANSACTIONS = 20_000  # of the bus, before the last good one, whose wire is looked at
_EARLY_TRANSACTIONS = 2_000
_AFTER_NS = 2_000 * MS  # of the dead stretch, whose wire is looked at
_BEFORE_NS = 50 * MS
_FACE_OF_HOW = {
    "sda-stuck": DATA_HELD,
    "scl-stuck": CLOCK_HELD,
    "address-nack": UNANSWERED,
    "data-nack": UNANSWERED,
    "filler": WRONG_CONTENT,
    "invalid": WRONG_CONTENT,
}


class Facts(Once):
    """Facts of one scene.

    Args:
        scene: the episode in its run.
        others: the other episodes of the same device, of this run or of others.
        run: what is known of its run, where several scenes of one are looked at.
    """

    def __init__(
        self, scene: Scene, others: Sequence[Episode] = (), run: RunFacts | None = None
    ) -> None:
        super().__init__()
        self.scene = scene
        self.others = others
        self.run = RunFacts(scene) if run is None else run

    # --- spans

    @property
    def dead(self) -> tuple[int, int]:
        """The dead stretch; of a life without one an empty span at its end."""
        return self.traffic.first_bad_ns, max(
            self.scene.episode.until_ns, self.traffic.first_bad_ns
        )

    @property
    def stopped(self) -> bool:
        """Whether there is a dead stretch: the device stopped, is asked no more, or given up."""
        return self.scene.episode.failed or self.traffic.ended

    @cached_property
    def life(self) -> tuple[int, int]:
        """From the first good transaction to the end of the episode; for a whole run all of it."""
        episode = self.scene.episode
        if not episode.device:
            return self.scene.start_ns, self.scene.end_ns + 1
        return min(episode.first_good_ns, episode.first_bad_ns), episode.until_ns + 1

    @cached_property
    def face(self) -> Face:
        """What the dead stretch looks like."""
        episode = self.scene.episode
        if not self.stopped:
            return HEALTHY_BUS
        if self.hold is not None and not self.freed_in_vain:
            return DATA_HELD if self.hold.state == "sda-held" else CLOCK_HELD
        alone = self.traffic.dead.height <= 1  # what went wrong first was the last of all
        known = None if alone or self.freed_in_vain else _FACE_OF_HOW.get(episode.how)
        return known or (SILENT_COMPLAINED if self.complaints.height else SILENT)

    # --- the bus

    @cached_property
    def traffic(self) -> Traffic:
        """Transactions of the bus and of the device."""
        traffic = traffic_of(self.scene, self.life)
        episode = self.scene.episode
        if episode.failed or not episode.device:
            return traffic
        end = end_of_life(traffic.own, min(episode.until_ns, self.scene.end_ns))
        return traffic if end is None else traffic.ending(end)

    @cached_property
    def bad_replies(self) -> pl.DataFrame | None:
        """Replies of the device that are wrong; None where nothing could tell."""
        return bad_replies(self.scene, self.traffic)

    @cached_property
    def hold(self) -> Hold | None:
        """The hold with which the dead stretch began, None when no line was held."""
        return hold_of(self.scene)

    @cached_property
    def freed_in_vain(self) -> bool:
        """Whether the clock that was held came free, and nothing was sent all the same."""
        if self.hold is None or not self.hold.of_clock:
            return False
        rest = self.dead[1] - self.hold.end_ns
        later = self.traffic.bus_start_ns > self.hold.end_ns
        return rest > max(5 * self.traffic.period_ns, self.hold.length_ns) and not later.any()

    # --- the wire

    @cached_property
    def levels(self) -> Levels | None:
        """The wire from some time before the last good transaction into the dead stretch."""
        scene, starts = self.scene, self.traffic.bus_start_ns
        end = min(self.dead[1], self.dead[0] + _AFTER_NS)
        at = int(starts.searchsorted(self.traffic.last_good_ns)) - _FINAL_TRANSACTIONS
        begin = int(starts[max(at, 0)]) if len(starts) else self.traffic.last_good_ns
        return scene.levels(max(begin - _BEFORE_NS, scene.start_ns), max(end, begin) + 1)

    @cached_property
    def clocks(self) -> Clocks | None:
        """The clocks of that wire; None when it was not kept, or shows no two clocks."""
        if self.levels is None or len(self.levels.t_ns) < 2:
            return None
        return clocks_of(self.levels)

    @cached_property
    def early_clocks(self) -> Clocks | None:
        """Clocks at the beginning of the healthy stretch."""
        scene, starts = self.scene, self.traffic.bus_start_ns
        if len(starts) < 2:
            return None
        end = int(starts[min(_EARLY_TRANSACTIONS, len(starts) - 1)])
        levels = scene.levels(int(starts[0]) - 1, min(end, scene.episode.last_good_ns) + 1)
        return None if levels is None or len(levels.t_ns) < 2 else clocks_of(levels)

    def shows(self, width_ns: float) -> bool:
        """Whether the capture's samples are close enough for pulses of that width."""
        clocks = self.clocks
        return clocks is not None and self.scene.sample_ns * SAMPLES_A_PULSE <= width_ns

    @cached_property
    def fine(self) -> bool:
        """Whether pulses of half a clock's HIGH can be told from whole ones."""
        return self.clocks is not None and self.shows(self.clocks.high_usual_ns / 2)

    @cached_property
    def bursts(self) -> list[Burst]:
        """Clocks without a START after the hold began or the last good transaction ended."""
        if self.clocks is None:
            return []
        begin = self.hold.start_ns if self.hold else self.traffic.last_good_end_ns
        return bursts_of(self.clocks, begin + 1)

    @cached_property
    def dips_ns(self) -> Int64s:
        """Dips of both lines outside transfers."""
        return np.empty(0, np.int64) if self.clocks is None else dips_of(self.clocks)

    @cached_property
    def clocked_by_hand(self) -> list[int] | None:
        """Where clocks of another period follow a short stretch inside a transfer, ns."""
        return None if self.clocks is None else clocked_by_hand(self.clocks)

    @cached_property
    def pauses_ns(self) -> Int64s | None:
        """Clocks before which the clock paused inside a byte, where no target stretches."""
        if self.clocks is None:
            return None
        return Disturbances(self.clocks, self.scene.sample_ns).pauses_ns

    @property
    def starved(self) -> bool | None:
        """Whether the clock paused inside bytes again and again."""
        return None if self.pauses_ns is None else len(self.pauses_ns) > 2

    @property
    def coupled(self) -> bool | None:
        """Whether nearly all short pulses of one line begin at edges of the other."""
        return None if self.disturbed is None else self.disturbed.is_coupled

    @cached_property
    def void_start_at_end(self) -> bool | None:
        """Whether a START that no clock followed came after the device was last good."""
        if self.clocks is None:
            return None
        return bool((self.clocks.void_ns > self.traffic.last_good_end_ns).any())

    @cached_property
    def disturbed(self) -> Disturbances | None:
        """Pulses that no controller makes; None where samples are too far apart for them."""
        if self.clocks is None or not self.fine:
            return None
        return Disturbances(self.clocks, self.scene.sample_ns)

    # --- what was printed

    @cached_property
    def complaints(self) -> pl.DataFrame:
        """What the firmware complained of in the dead stretch, the bus or the device in it."""
        begin, end = self.dead
        found = self.run.prints(begin - 100 * MS, end + 1, words.COMPLAINT)
        named = (
            found["text"]
            .str.to_lowercase()
            .str.contains(self.scene.episode.device.lower() or "\0", literal=True)
        )
        about_bus = found["text"].str.contains(words.BUS_WORD)
        return found.filter(named | about_bus)

    @cached_property
    def restarted_at_end(self) -> bool:
        """Whether the firmware restarted about when the dead stretch began."""
        begin, end = self.dead
        near = self.run.restarts["t_ns"].is_between(self.traffic.last_good_ns, begin + 1000 * MS)
        return bool(near.any()) and end > begin
