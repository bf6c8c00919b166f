"""Causes in the target and in what it sends: busy, too soon, frozen, released, left over, reset."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.causes.bad_replies import ONES
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
from console.diagnosis.causes.content import (
    commonest,
    counts_anded,
    frozen_of,
    two_contents,
    wrong_pairs,
)
from console.diagnosis.causes.faces import (
    HEALTHY_BUS,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.joints import joint_parts
from console.diagnosis.causes.nacks import NackRun, nack_runs
from console.diagnosis.causes.rotation import leftovers_of, rotated_of
from console.diagnosis.causes.setup import setup_lost
from console.diagnosis.causes.threshold import gap_threshold
from console.diagnosis.causes.traffic import WHOLE
from console.diagnosis.scene import Scene
from decoders.durations import in_words

Bytes = npt.NDArray[np.uint8]

_CONTENT = (WRONG_CONTENT, HEALTHY_BUS)
_HAMMER_NS = MS
_FEWEST_RUNS = 3
_LATEST = 400  # replies


def _runs_place(runs: list[NackRun]) -> Place:
    return Place("transactions", runs[0].from_ns) if runs else Place()


def busy_target(_scene: Scene, facts: Facts) -> Answer:
    """An internal write or a conversion runs; the NACK says "not yet"."""
    runs = [run for run in nack_runs(facts) if run.ended]
    after = [run for run in runs if run.after]
    same = {run.after for run in after}
    lengths = [run.length_ns for run in after]
    bounded = bool(lengths) and max(lengths) <= 2 * max(min(lengths), MS)
    longest = max((run.count for run in runs), default=0)
    lasting = [run for run in nack_runs(facts) if not run.ended and run.count > longest + 1]
    return judged(
        needed(
            len(after) >= _FEWEST_RUNS,
            f"the address went unanswered {len(after)} times for a while, and answered again",
            "the address does not go unanswered for a while and answer again",
            strength=FAIR,
            at=_runs_place(after),
        ),
        needed(
            len(same) == 1 and len(after) == len(runs),
            "each time after the same command",
            "not after one command alone",
            strength=STRONG,
        ),
        needed(
            bounded,
            f"for no longer than {in_words(max(lengths, default=0))}",
            "for lengths that differ widely",
        ),
        unless(bool(lasting), "the last time it never answered again"),
        unless(_grows(runs), "it takes longer and longer"),
    )


def _grows(runs: list[NackRun]) -> bool:
    counts = np.array([run.count for run in runs])
    if len(counts) < 6:
        return False
    third = len(counts) // 3
    return bool(np.mean(counts[-third:]) > 1.7 * np.mean(counts[:third]))


def deaf_target(_scene: Scene, facts: Facts) -> Answer:
    """It leaves its address unacknowledged for good, and nothing on the wire tells why."""
    dead = facts.traffic.own_dead
    refused = dead.filter(~pl.col("address_acked").fill_null(value=True))
    odd = facts.traffic.last.filter(~WHOLE & (pl.col("start_ns") < facts.dead[0]))
    return judged(
        needed(
            facts.stopped and refused.height >= 5 and refused.height >= 0.9 * dead.height,
            f"its address goes unanswered {refused.height} times, clocks and lines intact",
            "its address is not left unanswered",
            at=Place("transactions", facts.dead[0]),
        ),
        needed(
            not odd.height and facts.hold is None,
            "every transaction before is whole, and no line was held",
            "the transactions before are not whole, or a line was held",
            strength=WEAK,
        ),
        unless(facts.scene.episode.recovered, "it answers again by itself"),
    )


def nack_hammer(_scene: Scene, facts: Facts) -> Answer:
    """Retries without a pause keep the target from finishing, and it gets worse."""
    runs = nack_runs(facts)
    tight = [run for run in runs if run.count > 1 and run.spacing_ns < _HAMMER_NS]
    at_end = [run for run in tight if not run.ended]
    return judged(
        needed(
            len(tight) >= _FEWEST_RUNS,
            f"after a NACK it is asked again within a millisecond, {len(tight)} times",
            "it is not asked again at once after a NACK",
            strength=FAIR,
            at=_runs_place(tight),
        ),
        needed(
            _grows(tight),
            "the retries a reading needs grow",
            "the retries a reading needs do not grow",
            strength=STRONG,
        ),
        telling(
            bool(at_end), "and at last it never answered again", "and it always answered again"
        ),
    )


def read_too_soon(_scene: Scene, facts: Facts) -> Answer:
    """The reply is taken before the conversion has ended."""
    found = gap_threshold(facts)
    return judged(
        needed(
            found is not None,
            f"every wrong or stale reply was read within {in_words(found.edge_ns)} of its command, "
            f"and {found.good_above} good ones were read later"
            if found
            else "wrong replies are those read soonest after their command",
            "wrong or stale replies are not those read soonest after their command",
            strength=STRONG,
            at=Place("transactions", found.first_ns) if found else Place(),
        ),
        needed(
            found is not None and found.bad_below >= 3,
            f"that is {found.bad_below} of {found.bad_below + found.good_below} read so soon"
            if found
            else "several are",
            "there are too few of them",
            strength=FAIR,
        ),
        telling(found is not None and found.good_below == 0, "no good one was read so soon"),
    )


def frozen_target(_scene: Scene, facts: Facts) -> Answer:
    """The bus is perfect, and the content never changes."""
    found = frozen_of(facts.traffic.replies)
    ones = _released(facts)
    return judged(
        needed(
            None if found is None else found.beyond,
            f"{found.run} replies in a row are the same, {found.usual_run} at most before"
            if found
            else "one reply is repeated",
            "no run of one same reply is longer than usual",
            "whether it is frozen: too few replies",
            strength=STRONG,
            at=Place("transactions", found.begins_ns) if found else Place(),
        ),
        telling(found is not None and found.lasts, "to the end", "it moved again"),
        unless(ones.height > 0, "they are all ones: nobody drives SDA"),
        unless(_too_many_wrong(facts, found is not None and found.beyond), "they are wrong ones"),
        unless(_reads_back(facts), "a register that was set up reads otherwise: it restarted"),
        unless(joint_parts(facts), "they follow another joint of write and read"),
    )


def _reads_back(facts: Facts) -> bool:
    lost = setup_lost(facts)
    return lost is not None and lost.reads_back


def _too_many_wrong(facts: Facts, frozen: bool) -> bool:
    """Whether the frozen replies fail their check: then they were not measured at all."""
    bad = facts.bad_replies
    return frozen and bad is not None and bad.height > 0.3 * facts.traffic.replies.height


def _released(facts: Facts) -> pl.DataFrame:
    """Replies of all ones, where most replies are something else."""
    replies = facts.traffic.replies
    ones = replies.filter(pl.col("data").str.contains(ONES))
    first = int(ones["start_ns"][0]) if ones.height else 0
    before = replies.filter(pl.col("start_ns") < first).height
    return ones if before >= 5 else ones.clear()


def released_line(_scene: Scene, facts: Facts) -> Answer:
    """The address is acknowledged, then nobody drives SDA: all ones, the check byte too."""
    ones = _released(facts)
    tail = _ones_tail(facts)
    found = ones if ones.height else tail
    return judged(
        needed(
            found.height > 0,
            f"{found.height} replies end in all ones, their check byte too",
            "no reply is all ones",
            strength=STRONG,
            at=Place("transactions", int(found["start_ns"][0])) if found.height else Place(),
        ),
        needed(
            bool(found.height) and bool(found["address_acked"].all()),
            "the address was acknowledged",
            "the address was not acknowledged",
            strength=WEAK,
        ),
        telling(
            found.height >= 3 and _to_the_end(facts, found),
            "and so is every reply since",
            "replies after them were driven again",
        ),
        unless(_soon(facts), "they are those read soonest after their command"),
    )


def _ones_tail(facts: Facts) -> pl.DataFrame:
    """Replies of which the last three bytes and more are ones, where that is new."""
    replies = facts.traffic.replies
    tails = replies.filter(pl.col("data").str.contains(r"(?:ff){3,}$"))
    return tails if tails.height <= 0.5 * replies.height else tails.clear()


def _to_the_end(facts: Facts, rows: pl.DataFrame) -> bool:
    later = facts.traffic.replies.filter(pl.col("start_ns") >= int(rows["start_ns"][0]))
    return bool(later.height == rows.height)


def _soon(facts: Facts) -> bool:
    found = gap_threshold(facts)
    return found is not None and found.bad_below >= 3


def leftover_byte(_scene: Scene, facts: Facts) -> Answer:
    """The responder's FIFO keeps bytes of the reply before."""
    found = leftovers_of(facts.traffic.replies)
    return judged(
        needed(
            found is not None,
            "some reads are shorter than the reply that is loaded",
            "no read is shorter than what is loaded",
            strength=WEAK,
        ),
        needed(
            found is not None and found.count >= 3 and found.fit >= 0.5,
            f"in {found.fit:.0%} of {found.count} replies after them the fields stand further by "
            "the bytes left unread"
            if found
            else "replies begin with what was left",
            "replies after them begin where they should",
            strength=STRONG,
            at=Place("transactions", found.from_ns) if found else Place(),
        ),
        unless(_released(facts).height > 0, "they are all ones: nobody drives SDA"),
    )


def fifo_slip(_scene: Scene, facts: Facts) -> Answer:
    """The sensor's FIFO overflowed or was read across a record's border: the fields rotate."""
    found = rotated_of(facts.traffic.replies)
    return judged(
        needed(
            found is not None,
            f"from one reply on, every field stands {found.shift} bytes further, and fits there"
            if found
            else "fields rotate",
            "fields stay in their places",
            strength=STRONG,
            at=Place("transactions", found.from_ns) if found else Place(),
        ),
        unless(_left_over(facts), "they begin with what shorter reads left"),
        unless(_released(facts).height > 0, "replies are all ones"),
    )


def _left_over(facts: Facts) -> bool:
    left = leftovers_of(facts.traffic.replies)
    return left is not None and left.fit >= 0.5


def config_amnesia(_scene: Scene, facts: Facts) -> Answer:
    """The target restarted by itself and runs with its defaults."""
    lost = setup_lost(facts)
    return judged(
        needed(
            None if lost is None else lost.written > 0,
            "the firmware sets the device up by writes",
            "the firmware never sets the device up",
            "whether it was set up: that was before the capture",
            strength=WEAK,
        ),
        needed(
            None if lost is None else lost.changed,
            lost.words if lost else "its content changed",
            "its content and its registers are as they were set up",
            strength=STRONG,
            at=Place("transactions", lost.from_ns) if lost and lost.changed else Place(),
        ),
        needed(
            None if lost is None else not lost.written_again,
            "it was not set up again since",
            "it was set up again since",
        ),
        unless(_frozen_before(facts), "the content is frozen as it was"),
        unless(_released(facts).height > 0, "replies are all ones"),
    )


def _frozen_before(facts: Facts) -> bool:
    """Whether the content stood still before anything changed, and no register reads otherwise."""
    found = frozen_of(facts.traffic.replies)
    lost = setup_lost(facts)
    if not found or not found.beyond or not lost or lost.reads_back:
        return False
    return found.begins_ns < lost.from_ns - MS


def address_clash(scene: Scene, facts: Facts) -> Answer:
    """Two devices answer under one address."""
    swaps, kinds = two_contents(facts.traffic.replies)
    joined, apart = _another_came(facts)
    return judged(
        needed(
            (swaps >= 4 and kinds == 2) or joined,
            f"two contents alternate under one address, {swaps} times"
            if swaps >= 4 and kinds == 2
            else "an address began to answer, and from then on replies are mixed",
            "one content only answers under this address",
            strength=FAIR,
        ),
        telling(apart, "the mixed bits are the AND of two contents", strength=FAIR),
        unless(_reads_back(facts), "a register that was set up reads otherwise: it restarted"),
        unless(bool(_mixed_asks(facts)), "they answer different requests"),
        unless(joint_parts(facts), "they follow another joint of write and read"),
    )


def _mixed_asks(facts: Facts) -> bool:
    return facts.traffic.replies["asked"].n_unique() > 4


def _another_came(facts: Facts) -> tuple[bool, bool]:
    """Whether from some reply on bits that were always set are never set, and none is new.

    Two devices that answer at once pull SDA low for both: what is read is the AND of their bytes
    (UM10204 section 3.1.8).
    """
    table = _latest_bytes(facts)
    if len(table) < 30:
        return False, False
    if counts_anded(table) >= 0:
        return True, True
    always: Bytes = np.bitwise_and.accumulate(table, axis=0)[:-1]
    ever: Bytes = np.bitwise_or.accumulate(table, axis=0)[:-1]
    later: Bytes = np.bitwise_or.accumulate(table[::-1], axis=0)[::-1][1:]
    lost = np.unpackbits(np.bitwise_and(always, np.invert(later)), axis=1).sum(axis=1)[19:-5]
    gained = np.bitwise_and(later, np.invert(ever)).max(axis=1)[19:-5] > 0
    mixed = bool(np.any((lost >= 2) & ~gained))
    return mixed, mixed


def _latest_bytes(facts: Facts) -> Bytes:
    """The bytes of the last replies to the commonest request."""
    common = commonest(facts.traffic.replies).tail(_LATEST)
    length = int(common["length"][0]) if common.height else 0
    data = [list(bytes.fromhex(each)) for each in common["data"].to_list()]
    return np.array(data, np.uint8).reshape(len(data), length)


def deterministic_check_failure(_scene: Scene, facts: Facts) -> Answer:
    """The same wrong pair of data and check code again and again: no noise."""
    same, wrong, passed = wrong_pairs(facts.bad_replies, facts.traffic)
    tells = facts.scene.table("packets").height > 0 or same > 0
    return judged(
        needed(
            same >= 3 if tells else None,
            f"{same} of {wrong} wrong replies are byte for byte the same",
            "wrong replies differ from each other",
            "which replies have wrong check codes: no packet description tells",
            strength=FAIR,
        ),
        needed(
            same >= 0.6 * max(wrong, 1),
            "most of the wrong ones are that one",
            "most of the wrong ones are others",
            strength=FAIR,
        ),
        needed(not passed, "it never passed", "the same bytes passed at other times"),
        unless(_released(facts).height > 0, "they are all ones: nobody drives SDA"),
        unless(_frozen_now(facts), "all replies are the same"),
        unless(_noisy(facts), "short pulses disturb the lines"),
        unless(_left_over(facts), "they begin with what shorter reads left"),
    )


def _noisy(facts: Facts) -> bool:
    return facts.disturbed is not None and len(facts.disturbed.both_ns) > 3


def _frozen_now(facts: Facts) -> bool:
    found = frozen_of(facts.traffic.replies)
    return found is not None and found.beyond


CAUSES = (
    Cause(
        "busy-target",
        "The target is busy and refuses its address until it is done",
        "target",
        (UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        busy_target,
        ("wait-before-read",),
        "",
        "UM10204 section 3.1.6, reason 2",
    ),
    Cause(
        "deaf-target",
        "The target leaves its address unanswered, and nothing before tells why",
        "target",
        (UNANSWERED,),
        2.0,
        ("capture",),
        deaf_target,
        ("power-target", "unplug-one"),
        "the target's supply and reset",
        "UM10204 section 3.1.6, reasons 1 and 2",
    ),
    Cause(
        "nack-hammer",
        "Retries without a pause keep the target from finishing",
        "controller",
        (UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        nack_hammer,
        ("back-off", "poll-rate"),
        "",
        "UM10204 section 3.1.6, reason 2; seen in public issue reports",
    ),
    Cause(
        "read-too-soon",
        "Replies are read before the conversion has ended",
        "controller",
        _CONTENT,
        2.0,
        ("capture",),
        read_too_soon,
        ("wait-before-read", "prints-off"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "frozen-target",
        "The target answers, but its content never changes",
        "target",
        _CONTENT,
        2.0,
        ("capture",),
        frozen_target,
        ("power-target", "poll-rate"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "released-line",
        "The target acknowledges its address and then drives nothing",
        "target",
        _CONTENT,
        2.0,
        ("capture",),
        released_line,
        ("power-target",),
        "",
        "UM10204 section 3.1.1; seen in public issue reports",
    ),
    Cause(
        "leftover-byte",
        "Bytes of the previous reply stay in the responder's FIFO",
        "target",
        _CONTENT,
        1.5,
        ("capture",),
        leftover_byte,
        ("dummy-read", "poll-rate"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "fifo-slip",
        "The sensor's FIFO was read across the border of a record",
        "target",
        _CONTENT,
        1.0,
        ("capture",),
        fifo_slip,
        ("poll-rate",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "config-amnesia",
        "The target restarted by itself and runs with its defaults",
        "target",
        (WRONG_CONTENT, HEALTHY_BUS, UNANSWERED),
        1.5,
        ("capture",),
        config_amnesia,
        ("set-up-again", "extra-supply"),
        "the target's supply",
        "seen in public issue reports",
    ),
    Cause(
        "address-clash",
        "Two devices answer under one address",
        "target",
        (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED),
        1.0,
        ("capture",),
        address_clash,
        ("unplug-one",),
        "",
        "UM10204 section 3.1.10; seen in public issue reports",
    ),
    Cause(
        "deterministic-check-failure",
        "The check code is computed otherwise: one pair always fails",
        "firmware",
        _CONTENT,
        1.0,
        ("capture",),
        deterministic_check_failure,
        ("half-speed",),
        "",
        "SMBus 3.2 section 6.4; seen in public issue reports",
    ),
)
