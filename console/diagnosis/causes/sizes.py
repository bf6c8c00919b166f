"""Whether what is lost is what is long: sizes of messages lost, beside those kept."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from console.diagnosis.causes.commands import reactions_of
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.topics import Topic
from console.diagnosis.scene import Bools, Int64s

_SIZE = re.compile(r"(?i)(?:\blen(?:gth)?|\bsize)\s*[=:]?\s*(\d+)|(\d+)\s*(?:bytes\b|B\b)")
_NUMBER = re.compile(r"(?i)(?:\bseq|\bn|\bid|\bmsg|#)\s*[=:#]?\s*(\d+)")
_SENT = re.compile(r"(?i)publish|\bsent\b|\bsend|\bpub\b|\btx\b")
_FEWEST_LOST = 2


@dataclass(frozen=True, slots=True)
class SizeEdge:
    """Sizes in bytes of lost messages beside those of kept ones."""

    lost: int
    kept: int
    least_lost: int
    most_kept: int
    first_lost_ns: int
    exceptions: int
    buffer: int = 0  # bytes that the longest one kept, topic and header included, just fits

    @property
    def words(self) -> str:
        """What was seen."""
        if self.buffer:
            return (
                f"{self.lost} messages are missing in the topic with the longest ones alone, and "
                f"the longest kept, topic and header included, just fits {self.buffer} bytes"
            )
        return (
            f"all {self.lost} messages of {self.least_lost} bytes and more were lost, none of "
            f"{self.kept} up to {self.most_kept}"
        )

    @property
    def sharp(self) -> bool:
        """Whether one size parts them, but for one in fifty."""
        return self.lost >= _FEWEST_LOST and self.exceptions <= (self.lost + self.kept) // 50


def size_edge(facts: Facts) -> SizeEdge | None:
    """From commands and whether they were followed, or from prints of what was sent.

    None where neither tells.
    """
    best: SizeEdge | None = None
    reactions = reactions_of(facts)
    if reactions is not None and not reactions.followed.all():
        best = _edge(reactions.sizes, ~reactions.followed, reactions.t_ns)
    for topic in facts.topics:
        found = _of_published(facts, topic) or _of_buffer(facts, topic)
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


def _of_published(facts: Facts, topic: Topic) -> SizeEdge | None:
    """Sizes that the firmware printed as it sent, beside the numbers that arrived."""
    if topic.counter is None or topic.is_command:
        return None
    arrived = set(topic.counter.tolist())
    low, high = min(arrived), max(arrived)
    rows = []
    for t, text in facts.scene.table("prints").select("t_ns", "text").iter_rows():
        if t is None or not _SENT.search(text or ""):
            continue
        size, number = _SIZE.search(text), _NUMBER.search(text)
        if size and number and low <= int(number[1]) <= high:
            rows.append((int(size[1] or size[2]), int(number[1]) not in arrived, int(t)))
    if len(rows) < 8:
        return None
    sizes, lost, t_ns = zip(*rows, strict=True)
    return _edge(np.array(sizes, np.int64), np.array(lost, np.bool_), np.array(t_ns, np.int64))


_BUFFERS = (64, 128, 256, 512, 1024, 2048, 4096)
_HEADER = 4  # of a PUBLISH: type, length, and the topic's length (MQTT 3.1.1 section 3.3)
_FITS = 0.85  # of a buffer, which the longest kept of many lengths reaches


def _of_buffer(facts: Facts, topic: Topic) -> SizeEdge | None:
    """Holes in the topic of the longest messages alone, none of which exceeds a usual buffer.

    The lengths must vary, or their greatest says nothing of a limit.
    """
    missing = sum(hole.missing for hole in topic.holes)
    others = [each for each in facts.topics if each.name != topic.name and not each.is_command]
    longest = int(topic.sizes.max(initial=0))
    if missing < 3 or topic.is_command or len(topic.sizes) < 10 or not others:
        return None
    if any(each.holes or each.sizes.max(initial=0) >= longest for each in others):
        return None
    packet = longest + len(topic.name.encode()) + _HEADER
    size = next((b for b in _BUFFERS if packet <= b + 2), 0)
    varied = float(topic.sizes.std()) > 0.08 * longest
    if not size or packet < _FITS * size or not varied:
        return None
    return SizeEdge(
        missing, len(topic.sizes), longest + 1, longest, topic.holes[0].next_ns, 0, size
    )
