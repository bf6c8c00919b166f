r"""An exercise: what is sent to a bench, and what must come of it. A file of its own, in TOML.

    [exercise]
    name = "diverter, both ways"
    bench = "cap line"                 # refused over another bench; any if left out
    on_failure = "go on"               # what is missed is told, then the next step; or "stop"

    [[step]]
    kind = "repeat"
    times = 20
    counter = "n"                      # ${n} is 1, 2, ..; this is its name if left out

      [[step.step]]
      kind = "publish"
      source = "broker"                # a message source of the bench with a host
      topic = "capline/diverter/command"
      payload = { n = "${n}", gate = "left" }      # a table or list is sent as JSON; text as it is
      qos = 1                          # 0 if left out; 1 and 2 wait for the broker's word
      retain = false                   # true: the broker keeps it for all who come later
      timeout = "5 s"                  # for the broker to take it; 5 s if left out

      [[step.step]]
      kind = "expect"
      event = "message"                # print, message or silence
      source = "broker"                # any if left out
      where = "topic = 'capline/diverter/state' AND fields.command = ${n}"
      within = "2 s"                   # must be given

      [[step.step]]
      kind = "capture"                 # from what the expect before it found
      name = "gate"                    # ${gate} from now on
      value = "fields.gate"            # a column or a path
      pattern = '(left|right)'         # its first group; all of the value if left out
      as = "text"                      # or number

      [[step.step]]
      kind = "write"
      source = "controller"            # a serial source of the bench with a port
      text = "divert ${gate}"          # or hex = "A5 5A 30"
      ending = "crlf"                  # lf, cr, none; lf after text if left out, none after hex

      [[step.step]]
      kind = "expect"
      event = "silence"
      of = "message"                   # or print
      where = "topic = 'capline/alarm'"
      within = "3 s"                   # it must last so long

      [[step.step]]
      kind = "wait"
      for = "10 s"

An expected print or message counts when it came since the last sending or wait, before or after
what another step expected; each counts once. Silence counts from the step on. A step may have a
`note`, which stands in what is told of it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import msgspec

from console.bench.broker import Qos
from decoders.durations import duration_ns

MOST_STEPS = 1_000_000  # after repeats
MOST_DEEP = 8  # repeats within repeats
LONGEST_NS = 30 * 86_400_000_000_000  # of one step

Name = Annotated[str, msgspec.Meta(min_length=1)]
Variable = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,63}$")]
Number = tuple[int, ...]  # place of a step in its file, each counted from 1: (3, 1)

_ENDINGS = {"none": b"", "lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}


class About(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[exercise]` table."""

    name: Name
    bench: str | None = None
    on_failure: Literal["stop", "go on"] = "stop"
    note: str = ""


class _Step(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What every step may have."""

    note: str = ""


def _step_ns(key: str, text: str) -> int:
    """The time a key gives, ns.

    Raises:
        ValueError: "key: what is wrong".
    """
    try:
        ns = duration_ns(text)
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from None
    if not 0 < ns <= LONGEST_NS:
        raise ValueError(f"{key}: must be more than 0 and at most 30 days, not {text!r}")
    return ns


class Publish(_Step, frozen=True, kw_only=True, tag_field="kind", tag="publish"):
    """Publish a message."""

    source: Name
    topic: Name
    payload: str | dict[str, Any] | list[Any] = ""
    qos: Qos = 0
    retain: bool = False
    timeout: str = "5 s"

    def __post_init__(self) -> None:
        _ = self.timeout_ns

    @property
    def timeout_ns(self) -> int:
        """How long the broker may take."""
        return _step_ns("timeout", self.timeout)


class Write(_Step, frozen=True, kw_only=True, tag_field="kind", tag="write"):
    """Write to a serial port."""

    source: Name
    text: str | None = None
    hex: str | None = None
    ending: Literal["none", "lf", "cr", "crlf"] | None = None
    timeout: str = "5 s"

    def __post_init__(self) -> None:
        if (self.text is None) == (self.hex is None):
            raise ValueError("source: is written either text or hex")
        if self.hex is not None:
            _ = self.hex_bytes
        _ = self.timeout_ns

    @property
    def hex_bytes(self) -> bytes:
        """What `hex` stands for; nothing where there is none."""
        if not re.fullmatch(r"\s*([0-9A-Fa-f]{2}\s*)+", self.hex or "00"):
            raise ValueError(f'hex: must be pairs of digits, such as "A5 5A", not {self.hex!r}')
        return bytes.fromhex(self.hex or "")

    @property
    def ending_bytes(self) -> bytes:
        """What ends it."""
        return _ENDINGS[self.ending or ("lf" if self.hex is None else "none")]

    @property
    def timeout_ns(self) -> int:
        """How long the driver may take."""
        return _step_ns("timeout", self.timeout)


class Expect(_Step, frozen=True, kw_only=True, tag_field="kind", tag="expect"):
    """A print or a message must come, or stay away."""

    event: Literal["print", "message", "silence"]
    within: str
    of: Literal["print", "message"] | None = None
    source: Name | None = None
    where: str = ""

    def __post_init__(self) -> None:
        if (self.event == "silence") != (self.of is not None):
            words = "belongs to silence alone" if self.of else 'needs of = "print" or "message"'
            raise ValueError(f"{'of' if self.of else 'event'}: {words}")
        _ = self.within_ns

    @property
    def within_ns(self) -> int:
        """How long it may take, or stay away."""
        return _step_ns("within", self.within)

    @property
    def table(self) -> str:
        """Whose rows it is about."""
        return "prints" if "print" in (self.event, self.of) else "messages"


class Wait(_Step, frozen=True, kw_only=True, tag_field="kind", tag="wait"):
    """Do nothing for a while."""

    for_: str = msgspec.field(name="for")

    def __post_init__(self) -> None:
        _ = self.for_ns

    @property
    def for_ns(self) -> int:
        """How long."""
        return _step_ns("for", self.for_)


class Capture(_Step, frozen=True, kw_only=True, tag_field="kind", tag="capture"):
    """Keep a value of what was expected last."""

    name: Variable
    value: Name
    pattern: str | None = None
    as_: Literal["text", "number"] = msgspec.field(name="as", default="text")


class Repeat(_Step, frozen=True, kw_only=True, tag_field="kind", tag="repeat"):
    """Do other steps several times."""

    times: Annotated[int, msgspec.Meta(ge=1, le=MOST_STEPS)]
    steps: list[Step] = msgspec.field(name="step")
    counter: Variable = "n"


Action = Publish | Write | Expect | Wait | Capture
Step = Action | Repeat


class ExerciseTables(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The file's tables."""

    about: About = msgspec.field(name="exercise")
    steps: list[Step] = msgspec.field(name="step")


@dataclass(frozen=True, slots=True)
class ExerciseFile:
    """An exercise that was checked against its bench."""

    name: str
    file: str  # as the user gave it
    goes_on: bool  # after something was missed
    steps: Sequence[Step]
    lines: Mapping[Number, int]  # where each step stands in the file
    remarks: Sequence[str] = ()  # allowed, but to be known; each with its line

    @property
    def count(self) -> int:
        """Steps in all, after repeats."""
        return steps_in(self.steps)


@dataclass(frozen=True, slots=True)
class Coming:
    """A step as its turn comes."""

    number: Number
    step: Action
    counters: Mapping[str, int]  # of the repeats around it, outermost first


def steps_in(steps: Sequence[Step]) -> int:
    """How many there are after repeats."""
    return sum(s.times * steps_in(s.steps) if isinstance(s, Repeat) else 1 for s in steps)


def in_turn(
    steps: Sequence[Step], within: Number = (), counters: Mapping[str, int] | None = None
) -> Iterator[Coming]:
    """Every step as its turn comes, repeats unrolled one by one."""
    counters = counters or {}
    for k, step in enumerate(steps, 1):
        if not isinstance(step, Repeat):
            yield Coming((*within, k), step, counters)
            continue
        for n in range(1, step.times + 1):
            yield from in_turn(step.steps, (*within, k), {**counters, step.counter: n})


def in_file(steps: Sequence[Step], within: Number = ()) -> Iterator[tuple[Number, Step]]:
    """Every step of the file once, repeats before what they repeat."""
    for k, step in enumerate(steps, 1):
        yield (*within, k), step
        if isinstance(step, Repeat):
            yield from in_file(step.steps, (*within, k))
