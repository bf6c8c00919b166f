"""Causes in how transfers are made: joints, lengths, and data that move SDA at a wrong time."""

from __future__ import annotations

import re

import polars as pl

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import (
    HEALTHY_BUS,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.joints import joints_of
from console.diagnosis.causes.patterns import pattern_of
from console.diagnosis.scene import Scene

_CAPS = (16, 30, 31, 32, 64, 127, 128, 255, 256)  # of libraries' buffers
_LENGTH = re.compile(r"(?i)\blen(?:gth)?\s*[=:]?\s*(\d{1,5})|(\d{1,5})\s*(?:bytes|byte|B)\b")
_OF_BUS = r"\bi2c|\bsmbus\b|\btwi\b|\bbus\b"
_NO_TRANSFER = re.compile(  # bytes that were on no bus
    r"(?i)heap|stack|memory|\bram\b|flash|alloc|\bfree\b|publish|\bsen[dt]|upload|mqtt|\bfile"
)
_FEWEST_PROMISES = 3


def joint_error(_scene: Scene, facts: Facts) -> Answer:
    """A STOP where a repeated START is needed, or the reverse."""
    joints = facts.once(joints_of)
    return judged(
        needed(
            joints.both,
            "reads of one register follow their write by a STOP and START here, by a repeated "
            "START there",
            "no register is read both ways",
            strength=FAIR,
        ),
        needed(
            joints.parts,
            "replies after one of the two are filler, wrong or never new; after the other they "
            "are sound",
            "replies after both are alike",
            strength=STRONG,
        ),
    )


def length_cap(_scene: Scene, facts: Facts) -> Answer:
    """The library stops at its buffer, and the firmware takes the rest for data."""
    lengths = facts.traffic.replies["length"]
    cap = int(lengths.max() or 0)  # type: ignore[arg-type]
    longer = sorted({n for n in _printed_lengths(facts) if cap < n <= 8192})
    said = _says_longer(facts, cap)
    return judged(
        needed(
            cap in _CAPS,
            f"no read is longer than {cap} bytes, the size of a library's buffer",
            f"the longest read has {cap} bytes, no size of a buffer",
            strength=FAIR,
        ),
        needed(
            (bool(longer) or said) if facts.run.has_prints or said else None,
            f"the firmware speaks of {longer[0]} bytes"
            if longer
            else "the reply says it is longer",
            "nobody speaks of more bytes",
            "whether more was wanted: there is no log",
            strength=STRONG,
        ),
        telling(
            int((lengths == cap).sum()) > 1 if cap else False,
            "more than one read stops exactly there",
        ),
    )


def _printed_lengths(facts: Facts) -> list[int]:
    """Lengths that prints of the device or of its bus speak of."""
    episode = facts.scene.episode
    own = [rf"\b{re.escape(episode.device)}\b", f"0x{episode.address:02x}\\b"]
    about = re.compile("|".join([*own, _OF_BUS]), re.IGNORECASE)
    texts = facts.run.prints(*facts.life)["text"].drop_nulls().to_list()
    told = [text for text in texts if about.search(text) and not _NO_TRANSFER.search(text)]
    return [int(a or b) for text in told for a, b in _LENGTH.findall(text)]


def _says_longer(facts: Facts, cap: int) -> bool:
    """Whether replies that stop at the cap begin with a length byte that promises more.

    In shorter replies that byte, with or without a check code behind, promises what there is.
    """
    replies = facts.traffic.replies
    first = replies["data"].str.slice(0, 2).str.to_integer(base=16)
    short, extra = replies["length"] < cap, replies["length"].cast(pl.Int64) - first
    kept = extra.filter(short).is_in([1, 2])
    longer = bool((first.filter(~short) + 1 > cap).any())
    return longer and len(kept) >= _FEWEST_PROMISES and bool(kept.all())


def data_dependent_corruption(_scene: Scene, facts: Facts) -> Answer:
    """The controller moves SDA while SCL is high whenever a certain pattern is sent."""
    found = None if facts.clocks is None else pattern_of(facts)
    disturbed = facts.disturbed
    return judged(
        needed(
            None if found is None else found.inside >= 2,
            f"SDA moves {0 if found is None else found.inside} times with SCL high, inside bytes",
            "SDA never moves while SCL is high inside a byte",
            "whether SDA moves while SCL is high: the wire was not kept",
            strength=FAIR,
            at=Place("", found.first_ns) if found and found.inside else Place(),
        ),
        needed(
            None if found is None else found.explained,
            f"each time after {found.words}, and never after others" if found else "by its data",
            "what was sent before does not tell when",
            strength=STRONG,
        ),
        unless(
            None
            if disturbed is None or found is None
            else len(disturbed.runts_ns) >= found.inside > 0,
            "short clocks go with it",
        ),
    )


CAUSES = (
    Cause(
        "joint-error",
        "Write and read are joined in the wrong way",
        "controller",
        (WRONG_CONTENT, UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        joint_error,
        ("other-joint", "wait-before-read"),
        "",
        "UM10204 section 3.1.10; SMBus 3.2 section 6.5",
    ),
    Cause(
        "length-cap",
        "The library stops reading at the size of its buffer",
        "controller",
        (HEALTHY_BUS, WRONG_CONTENT),
        1.0,
        ("capture", "prints"),
        length_cap,
        ("length-sweep",),
        "",
        "SMBus 3.2 section 6.5.7 (32 bytes, later 255); seen in public issue reports",
    ),
    Cause(
        "data-dependent-corruption",
        "Certain data make the controller move SDA while SCL is high",
        "controller",
        (WRONG_CONTENT, UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        data_dependent_corruption,
        ("half-speed",),
        "",
        "UM10204 section 3.1.3",
    ),
)
