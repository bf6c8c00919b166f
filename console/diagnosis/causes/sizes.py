"""Whether what is lost is what is long: sizes of messages lost, beside those kept."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from console.diagnosis.causes.commands import reactions_of
from console.diagnosis.causes.prints_near import COMPLAINT
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.causes.topics import Topic
from console.diagnosis.scene import Bools, Int64s
from console.watch.findings import counted

_SIZE = re.compile(r"(?i)(?:\blen(?:gth)?|\bsize)\s*[=:]?\s*(\d+)|(\d+)\s*(?:bytes\b|B\b)")
_NUMBER = re.compile(r"(?i)(?:\bseq|\bn|\bid|\bmsg|#)\s*[=:#]?\s*(\d+)")
_SENT = re.compile(r"(?i)publish|\bsent\b|\bsend|\bpub\b|\btx\b")
_FEWEST_LOST = 2
_LONGEST = 268_435_455  # bytes: no MQTT packet is longer (MQTT 3.1.1 section 2.2.3)


@dataclass(frozen=True, slots=True)
class SizeEdge:
    """Sizes in bytes of lost messages beside those of kept ones."""

    lost: int
    kept: int
    least_lost: int
    most_kept: int
    first_lost_ns: int
    exceptions: int
    spared: int = 0  # messages of other topics; 0: the lengths of the lost ones are known
    buffer: int = 0  # bytes that the longest one kept, topic and header included, just fits

    @property
    def words(self) -> str:
        """What was seen."""
        if self.spared:
            fits = f"; the longest kept just fits {self.buffer} bytes with topic and header"
            return (
                f"{counted(self.lost, 'message')} missing in the topic with the longest ones, "
                f"none of {self.spared:,} in the others{fits if self.buffer else ''}"
            )
        return (
            f"{counted(self.lost, 'message')} of {self.least_lost} bytes and more, all of them "
            f"lost; of {self.kept:,} up to {self.most_kept} bytes none"
        )

    @property
    def sharp(self) -> bool:
        """Whether one size parts them, but for one in fifty."""
        return self.lost >= _FEWEST_LOST and self.exceptions <= (self.lost + self.kept) // 50


def size_edge(run: RunFacts) -> SizeEdge | None:
    """From commands and whether they were followed, or from prints of what was sent.

    None where neither tells.
    """
    best: SizeEdge | None = None
    reactions = run.once(reactions_of)
    if reactions is not None and not reactions.followed.all():
        best = _edge(reactions.sizes, ~reactions.followed, reactions.t_ns)
    for topic in run.topics:
        found = _of_published(run, topic) or _of_longest(run, topic)
        if found is not None and (best is None or found.sharp):
            best = found
    return best


def _edge(sizes: Int64s, lost: Bools, t_ns: Int64s) -> SizeEdge | None:
    """The size that parts them best."""
    if lost.sum() < _FEWEST_LOST or (~lost).sum() < 2:
        return None
    candidates = np.unique(sizes[lost])
    wrong = [int(((sizes >= c) & ~lost).sum() + ((sizes < c) & lost).sum()) for c in candidates]
    best = int(np.argmin(wrong))
    least = int(candidates[best])
    kept = ~lost & (sizes < least)
    return SizeEdge(
        int((lost & (sizes >= least)).sum()),
        int(kept.sum()),
        least,
        int(sizes[kept].max(initial=0)),
        int(t_ns[lost][0]),
        wrong[best],
    )


def _of_published(run: RunFacts, topic: Topic) -> SizeEdge | None:
    """Sizes that the firmware printed as it sent, beside the numbers that arrived."""
    if topic.counter is None or topic.is_command:
        return None
    arrived = set(topic.counter.tolist())
    low, high = min(arrived), max(arrived)
    rows = [
        (size, number not in arrived, t_ns)
        for size, number, t_ns in run.once(_sizes_sent)
        if low <= number <= high and not topic.may_have_come(number)
    ]
    if len(rows) < 8:
        return None
    sizes, lost, t_ns = zip(*rows, strict=True)
    return _edge(np.array(sizes, np.int64), np.array(lost, np.bool_), np.array(t_ns, np.int64))


def _sizes_sent(run: RunFacts) -> list[tuple[int, int, int]]:
    """Size, number and time of all that was printed as it was sent."""
    found = []
    for t_ns, text in run.scene.table("prints").select("t_ns", "text").iter_rows():
        if t_ns is None or not _SENT.search(text or ""):
            continue
        size, number = _SIZE.search(text), _NUMBER.search(text)
        length = int(size[1] or size[2]) if size else _LONGEST + 1
        if number and length <= _LONGEST:
            found.append((length, int(number[1]), int(t_ns)))
    return found


# Powers of two, and what lies between them in whole pieces of 32 bytes and more.
_BUFFERS = (64, 96, 128, 160, 192, 224, 256, 320, 384, 512, 768, 1024, 1536, 2048, 4096)
_HEADER = 4  # of a PUBLISH: type, length, and the topic's length (MQTT 3.1.1 section 3.3)
_SPREAD = 0.08  # of the longest: lengths of one size are kept or lost all together
_CHANCE = 0.01  # that losses which do not ask for length spare all other topics
_NEAR = 3.0  # times the usual step between lengths, which the longest kept stays below its limit


def _of_longest(run: RunFacts, topic: Topic) -> SizeEdge | None:
    """Numbers missing in the topic of the longest messages, again and again, and in no other.

    The lengths must vary, and the others must be so many that losses at that rate would have hit
    them too. A client that drops for length does so without a word.
    """
    missing, kept = sum(hole.missing for hole in topic.holes), len(topic.sizes)
    longest = int(topic.sizes.max(initial=0))
    others = [each for each in run.topics if _is_beside(each, topic)]
    spared = sum(len(each.sizes) for each in others)
    if topic.is_command or missing < 3 or kept < 10 or not others:
        return None
    if any(each.holes or each.sizes.max(initial=0) >= longest for each in others):
        return None
    chance = (kept / (kept + missing)) ** spared
    varied = float(topic.sizes.std()) > _SPREAD * longest
    if chance > _CHANCE or not varied or _complained(run, topic):
        return None
    return SizeEdge(
        missing,
        kept,
        longest + 1,
        longest,
        topic.holes[0].next_ns,
        exceptions=0,
        spared=spared,
        buffer=_just_fits(topic),
    )


def _is_beside(each: Topic, topic: Topic) -> bool:
    """Whether a topic is another one of the same client; the same, where clients are not told."""
    same = each.rows["client"][0] == topic.rows["client"][0]
    return each.name != topic.name and not each.is_command and same


def _complained(run: RunFacts, topic: Topic) -> bool:
    """Whether the firmware complains in most of the holes."""
    told = [run.prints(h.last_ns, h.next_ns, COMPLAINT).height > 0 for h in topic.holes]
    return sum(told) > len(told) / 2


def _just_fits(topic: Topic) -> int:
    """The buffer that the longest message kept fills but for a step of lengths or so; 0: none."""
    longest, least = int(topic.sizes.max()), int(topic.sizes.min())
    packet = longest + len(topic.name.encode()) + _HEADER
    step = (longest - least) / len(topic.sizes)
    return next((b for b in _BUFFERS if packet - 2 <= b <= packet + _NEAR * max(step, 1)), 0)
