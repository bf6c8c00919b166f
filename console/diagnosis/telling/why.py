"""What may be the cause, what speaks for it and what is ruled out, as parts of a story."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.bench.tables import TABLES, time_column
from console.diagnosis.causes.cause import Evidence, Says, Verdict
from console.diagnosis.causes.ranking import Ranked, Ranking
from console.diagnosis.causes.shares import share
from console.diagnosis.scene import Scene
from console.diagnosis.story import Line, Part, Place, Tone
from console.diagnosis.telling.explaining import Explained, explained

_TONES: dict[str, Tone] = {"for": "good", "against": "doubt", "unknown": "quiet"}
_BECAUSE: dict[Verdict, tuple[Says, str]] = {
    "refuted": ("against", "But"),
    "holds": ("for", "For it:"),
    "not-observable": ("unknown", "Not to be seen:"),
}
_SAYS = {"for": "for", "against": "against", "unknown": "not observable"}
WEIGHTS = (
    "Percentages weigh the causes of the catalogue against each other; none is a measured rate."
)


def cause(found: Explained) -> Part:
    """The verdict: one cause, several that are not told apart, or none."""
    return Part("What may be the cause", tuple(_verdict(found)))


def _verdict(found: Explained) -> Iterator[Line]:
    told, tie = found.told, found.ranking.tie
    if not told:
        unseen = len(found.ranking.not_observable)
        rest = f"; {unseen} could not be looked for" if unseen else ""
        yield Line(f"No cause of the catalogue shows itself here{rest}.")
        if lead := _led_to(found.ranking):
            yield Line(f"What was tried speaks for this one, which is not seen here: {named(lead)}")
        return
    if tie is None:
        first, *others = told
        yield Line(f"{named(first)}{_whose(first, found.ranking)}.", tone="bad")
        for row in others:
            yield Line(f"or, less likely: {named(row)}{_whose(row, found.ranking)}")
        return
    yield Line(f"Cannot tell these {len(told)} apart:", tone="bad")
    for row in told:
        yield Line(f"  {named(row)}{_whose(row, found.ranking)}")
    if tie.extra_channel:
        yield Line(f"What would tell: {tie.extra_channel}, recorded with the bus.", tone="quiet")


def _whose(row: Ranked, ranking: Ranking) -> str:
    """Where it shows, in a story that is not of one peripheral."""
    is_of_run = ranking.episode is None or not ranking.episode.device
    return f", as {row.device} shows" if is_of_run and row.device else ""


def _led_to(ranking: Ranking) -> Ranked | None:
    """The cause that outcomes of experiments make likelier than something else, if one."""
    first = next((row for row in ranking.rows if row.answer.verdict == "not-observable"), None)
    if not ranking.updated_by or first is None or not first.fits:
        return None
    return first if first.probability > ranking.something_else else None


def named(row: Ranked) -> str:
    """A cause and how likely it is."""
    return f"{row.cause.title} ({share(row.probability)})"


def evidence(scene: Scene, found: Explained) -> Iterator[Part]:
    """What speaks for the causes that are told, and against them; no part when none is."""
    if not found.told:
        return
    lines: list[Line] = []
    for row in found.told:
        if len(found.told) > 1:
            lines.append(Line(f"{row.cause.title}:"))
        lines += _evidence(scene, row.answer.evidence, "  " if len(found.told) > 1 else "")
    lines.append(Line(WEIGHTS, tone="quiet"))
    yield Part("What speaks for it, and against", tuple(lines))


def cause_words(ranking: Ranking) -> str | None:
    """The slug of the cause that is claimed, several where they are not told apart; or None."""
    found = explained(ranking)
    if found.ranking.tie is not None:
        return " or ".join(found.ranking.tie.slugs)
    return found.told[0].cause.slug if found.told else None


def _evidence(scene: Scene, found: Sequence[Evidence], indent: str) -> Iterator[Line]:
    for each in found:
        words = f"{indent}{_SAYS[each.says]}: {each.words}"
        yield Line(words, _place(scene, each), _TONES[each.says])


def _place(scene: Scene, evidence: Evidence) -> Place | None:
    """Where evidence stands; the row of its table where one begins then."""
    if evidence.t_ns is None:
        return None
    if evidence.table not in TABLES:
        return Place(evidence.t_ns)
    times = scene.table(evidence.table).get_column(time_column(evidence.table))
    row = int(times.search_sorted(evidence.t_ns, side="left"))
    is_there = row < len(times) and times[row] == evidence.t_ns
    return Place(evidence.t_ns, evidence.table, row) if is_there else Place(evidence.t_ns)


def others(scene: Scene, found: Explained) -> Iterator[Part]:
    """What goes with the stop on the network; what was ruled out or not seen, folded."""
    if found.beside:
        lines = tuple(_short(scene, row) for row in found.beside)
        yield Part("On the network meanwhile: maybe a consequence, no reason to stop", lines)
    told = {row.cause.slug for row in found.told}
    left = [row for row in found.ranking.rows if row.cause.slug not in told]
    groups = {
        "Ruled out": [row for row in left if row.answer.verdict == "refuted"],
        "Unlikely, or too weak to claim": [row for row in left if row.answer.verdict == "holds"],
        "Not observable here": [row for row in left if row.answer.verdict == "not-observable"],
    }
    for title, rows in groups.items():
        if rows:
            yield Part(title, tuple(_short(scene, row) for row in rows), folded=True)


def _short(scene: Scene, row: Ranked) -> Line:
    """A cause in one line; of one ruled out only the first sign against it: the rest lean on it."""
    says, words = _BECAUSE[row.answer.verdict]
    told = [each for each in row.answer.evidence if each.says == says]
    if row.answer.verdict == "refuted":
        told = told[:1]
    because = f". {words} {'; '.join(each.words for each in told)}" if told else ""
    place = next((found for each in told if (found := _place(scene, each)) is not None), None)
    return Line(f"{row.cause.title}{because}", place)
