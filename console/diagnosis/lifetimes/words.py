"""The verdict in plain sentences, for screens and reports.

Names of topics and sentences stand in them as they came from outside; whoever shows them cleans
them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.diagnosis.lifetimes.candidates import TIME, Candidate
from console.diagnosis.lifetimes.clean_run import CleanRun
from console.diagnosis.lifetimes.count_or_clock import Verdict
from console.diagnosis.lifetimes.lives import POLLS, Life
from console.diagnosis.lifetimes.weibull import FEWEST_FITTED
from console.watch.findings import counted
from decoders.durations import in_words

_MOST_NAMES = 6


def verdict_words(verdict: Verdict, lives: Sequence[Life] = ()) -> list[str]:
    """The verdict: what it is first, then on what it rests, hints, and what to do next.

    Args:
        verdict: of some lives.
        lives: those; the next experiment is put in their figures.
    """
    head = {
        "count": _ran_out,
        "quantity": _ran_out,
        "time": _after_time,
        "rollover": _at_rollover,
        "random": _at_random,
        "confounded": _confounded,
        "cannot say": _cannot_say,
    }[verdict.kind](verdict)
    return [head, *_grounds(verdict), *_doubts(verdict, lives), *_next(verdict, lives)]


def _ran_out(verdict: Verdict) -> str:
    after = f"It stops after a count: {amount(verdict.told[0])}"
    if verdict.kind == "quantity":
        after = f"It stops after a total: {amount(verdict.told[0])}"
    time = next((c for c in verdict.candidates if c.name == TIME), None)
    took = "" if time is None else f"; the time it took {went_words(time)}"
    return f"{after}, in each of {counted(verdict.failures, 'life', 'lives')}{took}."


def _after_time(verdict: Verdict) -> str:
    lives = counted(verdict.failures, "life", "lives")
    other = next((c for c in verdict.candidates if c.name == POLLS), None)
    beside = "" if other is None else f"; the polls until then {went_words(other)}"
    return f"It stops after a time: {amount(verdict.told[0])}, in each of {lives}{beside}."


def _at_rollover(verdict: Verdict) -> str:
    rolled = verdict.rollover
    if rolled is None:
        return ""
    which = "the same rollover" if rolled.same_one else "a rollover"
    return (
        f"It stops when a tick rolls over: all {verdict.failures} lives ended within "
        f"{in_words(rolled.within_ns)} of {which} of {rolled.wrap.name} "
        f"({in_words(rolled.wrap.period_ns)})."
    )


def _at_random(verdict: Verdict) -> str:
    return (
        "It stops at random: neither the times nor the counts agree better than chance, and "
        f"they scatter as chance does{_shape(verdict)}."
    )


def _confounded(verdict: Verdict) -> str:
    count, time = verdict.told
    return (
        f"Count or time, and these lives cannot tell which: it stops after {amount(count)} and "
        f"{amount(time)} each time, for the one kept pace with the other."
    )


def _cannot_say(verdict: Verdict) -> str:
    match verdict.why:
        case "no failure":
            return "Nothing failed, so there is nothing to compare."
        case "one failure":
            return (
                "Cannot say whether a count, a time or chance ended it: one failure is no pattern."
            )
        case "nothing counted":
            return (
                f"The times agree ({amount(verdict.told[0])}), but nothing was counted beside "
                "them: a count at a steady rate would look the same."
            )
        case "survived":
            more = len(verdict.survivors) - 1
            where = verdict.survivors[0] + (f" and {more} more" if more > 0 else "")
            return (
                f"Cannot say: all that failed stopped after {amount(verdict.told[0])}, but {where} "
                "went on well beyond. If something was mended or different there, leave it out; "
                "if not, this is no limit."
            )
        case "too few":
            return (
                f"Cannot say yet: it stopped after {amount(verdict.told[0])} each time, but "
                f"{verdict.failures} lives are too few to tell that from chance."
            )
        case "wears out":
            return (
                f"No count and no time is the same in all lives, but they are more alike than "
                f"chance makes them{_shape(verdict)}: the longer it runs the likelier it stops."
            )
    few = "" if verdict.failures > 3 else "; few lives cannot show that it is chance"
    return f"Cannot say: no count and no time is the same in all lives{_shape(verdict)}{few}."


def _shape(verdict: Verdict) -> str:
    if verdict.shape is None or verdict.failures < FEWEST_FITTED:
        return ""
    low, high = verdict.shape.low, verdict.shape.high
    return f" (Weibull shape {verdict.shape.value:.2g}, 95 % from {low:.2g} to {high:.2g})"


def _grounds(verdict: Verdict) -> Iterator[str]:
    if verdict.p_chance is not None:
        tried = f", {counted(verdict.tried, 'thing')} tried" if verdict.tried > 1 else ""
        yield f"Lives that end at random agree so well {_odds(verdict.p_chance)}{tried}."
    if verdict.alike and verdict.why != "too few":
        more = len(verdict.alike) - _MOST_NAMES
        names = "; ".join(verdict.alike[:_MOST_NAMES]) + (f"; {more} more" if more > 0 else "")
        yield f"Kept pace with it, so it may as well be one of: {names}."
    if verdict.near:
        yield f"A hint: {_hinted(verdict)}."
    if verdict.kind == "cannot say" and verdict.rollover is not None:
        rolled = verdict.rollover
        yield (
            f"A hint: it ended within {in_words(rolled.within_ns)} of a rollover of "
            f"{rolled.wrap.name} ({in_words(rolled.wrap.period_ns)})."
        )
    if verdict.left_out:
        yield (
            f"Left out: {counted(verdict.left_out, 'life', 'lives')} counted from another kind "
            "of beginning."
        )


def _doubts(verdict: Verdict, lives: Sequence[Life]) -> Iterator[str]:
    """What may hide a count or a time: a part that ran before anybody watched."""
    unseen = any(life.zero == "first seen" for life in lives if life.failed)
    if unseen and (verdict.kind == "random" or verdict.why in ("no agreement", "wears out")):
        yield (
            "Counted from the first answer seen: if it ran before, that hides a count or a time; "
            "begin to record before the part is switched on."
        )


def _hinted(verdict: Verdict) -> str:
    name = verdict.of or POLLS
    return f"the count of {name} is {verdict.near}; look for a counter or a table of that size"


def _odds(p: float) -> str:
    if p < 1e-6:
        return "less than once in a million"
    return f"once in {float(f'{1 / p:.2g}'):,.0f}" if p < 0.1 else f"with probability {p:.2g}"


def _next(verdict: Verdict, lives: Sequence[Life]) -> Iterator[str]:
    if verdict.kind == "confounded":
        yield _telling(*verdict.told)
    elif verdict.kind == "rollover":
        yield "Preset the tick to shortly before the rollover: then it should stop in seconds."
    elif verdict.why == "one failure":
        own = next(life for life in lives if life.failed) if lives else None
        again = "Record it again, once as it was and once with the poll period halved"
        if own is None or POLLS not in own.counts:
            yield again + "."
        else:
            half, whole = in_words(own.elapsed_ns / 2), in_words(own.elapsed_ns)
            yield f"{again}: a count would end that after {half}, a time after {whole}."
    elif verdict.why == "too few":
        yield "Another life would tell; with another poll rate it also tells a count from a time."
    elif verdict.why in ("no agreement", "wears out", "nothing counted"):
        yield "More lives would tell; change the poll rate between them."


def _telling(count: Candidate, time: Candidate) -> str:
    """The change of rate that tells a count from a time, and what each would then do."""
    whole = float(time.values.mean())
    change = (
        "Halve the poll period" if count.name == POLLS else f"Double the rate of {count.name} alone"
    )
    return (
        f"{change}: if it is the count it will stop after {in_words(whole / 2)}, "
        f"if it is the time after {in_words(whole)}."
    )


def amount(candidate: Candidate) -> str:
    """`2,047 polls`, `2,040 to 2,047 polls`, `34 min`."""
    if candidate.name == TIME:
        return _range(candidate, " to ")
    return f"{_range(candidate, ' to ')} {candidate.name}"


def went_words(candidate: Candidate) -> str:
    """`went from 1.2 s to 4 s`, or `was 15 each time`."""
    span = _range(candidate, " to ")
    if " to " in span:
        return f"went from {span}"
    return f"{'was' if candidate.name == TIME else 'were'} {span} each time"


def _range(candidate: Candidate, to: str) -> str:
    low, high = candidate.low, candidate.high
    if candidate.name == TIME:
        ends = [in_words(low), in_words(high)]
    else:
        ends = [f"{low:,.0f}", f"{high:,.0f}"]
    return ends[0] if ends[0] == ends[1] else to.join(ends)


def clean_run_words(needed: CleanRun) -> str:
    """How long it must run clean before a fix is believed."""
    if needed.by_chance:
        return (
            f"To believe a fix (95 %) it must run clean for {in_words(needed.ns)}, if it stops "
            "at random."
        )
    parts = []
    if needed.count:
        parts.append(f"past {needed.count:,.0f} {needed.of}")
    if needed.ns:
        parts.append(f"past {in_words(needed.ns)}")
    return f"To believe a fix it must be seen to run {' and '.join(parts)}."
