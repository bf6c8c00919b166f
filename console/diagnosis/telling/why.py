"""Why it stopped, what is ruled out and what to try next, as parts of a story."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.bench.tables import TABLES, time_column
from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.cause import Evidence
from console.diagnosis.causes.experiments import Outcome, Proposal, next_experiment
from console.diagnosis.causes.ranking import SOMETHING_ELSE, Ranked, Ranking
from console.diagnosis.causes.told import headline, share
from console.diagnosis.scene import Scene
from console.diagnosis.story import Line, Part, Place, Tone

MOST = 3  # causes told in full
_TONES: dict[str, Tone] = {"for": "good", "against": "doubt", "unknown": "quiet"}
_SAYS = {"for": "for", "against": "against", "unknown": "not observable"}


def why(scene: Scene, ranking: Ranking) -> Part:
    """The causes that hold, each with its evidence for and against."""
    lines = [Line(headline(ranking), tone="bad" if ranking.claimed else "plain")]
    if ranking.updated_by:
        lines.append(Line(f"with the outcome of {', '.join(ranking.updated_by)}", tone="quiet"))
    for row in ranking.claimed[:MOST]:
        if len(ranking.claimed) > 1:  # else it is what the first line says
            lines.append(Line(f"{row.cause.title}: {share(row.probability)}"))
        lines += _evidence(scene, row.answer.evidence)
    return Part("Why", tuple(lines))


def cause_words(ranking: Ranking) -> str | None:
    """The slug of the cause that is claimed, several where they are not told apart; or None."""
    if ranking.tie is not None:
        return " or ".join(ranking.tie.slugs)
    return ranking.claimed[0].cause.slug if ranking.claimed else None


def _evidence(scene: Scene, evidence: Sequence[Evidence]) -> Iterator[Line]:
    for each in evidence:
        words = f"  {_SAYS[each.says]}: {each.words}"
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


def try_next(ranking: Ranking, outcomes: Sequence[Outcome] = ()) -> Part:
    """The experiment that would split the leading causes best, and what came of those done.

    Args:
        ranking: with the outcomes in it.
        outcomes: that the user recorded.
    """
    lines = [
        Line(f"done: {each.experiment}: {each.outcome}", outcome=(each.experiment, each.outcome))
        for each in outcomes
    ]
    proposal = next_experiment(ranking)
    if proposal is None:
        claimed = "One cause stands alone" if ranking.claimed else "No cause is claimed"
        lines.append(Line(f"{claimed}: no experiment of the catalogue would tell more."))
    else:
        lines += _experiment(proposal)
    return Part("What to try next", tuple(lines))


def _experiment(proposal: Proposal) -> Iterator[Line]:
    """What to do, what each outcome would point to, and what to take care of."""
    experiment = proposal.experiment
    yield Line(f"{experiment.title}.")
    for outcome, slug in proposal.tells.items():
        chance = share(proposal.expected[outcome])
        points = "none of these" if slug == SOMETHING_ELSE else BY_SLUG[slug].title.lower()
        told = experiment.slug, outcome
        yield Line(f"  if {outcome} ({chance}): {points}", tone="quiet", outcome=told)
    if experiment.care:
        yield Line(experiment.care, tone="doubt")


def ruled_out(scene: Scene, ranking: Ranking) -> Iterator[Part]:
    """What was ruled out, what does not show itself, and what nothing here could show; folded."""
    claimed = {row.cause.slug for row in ranking.claimed}
    left = [row for row in ranking.rows if row.cause.slug not in claimed]
    groups = {
        "Ruled out": [row for row in left if row.answer.verdict == "refuted"],
        "Too weak to claim": [row for row in left if row.answer.verdict == "holds"],
        "Not observable here": [row for row in left if row.answer.verdict == "not-observable"],
    }
    for title, rows in groups.items():
        if rows:
            yield Part(title, tuple(_short(scene, row) for row in rows), folded=True)


def _short(scene: Scene, row: Ranked) -> Line:
    says = {"refuted": "against", "holds": "for", "not-observable": "unknown"}
    wanted = says[row.answer.verdict]
    told = [each for each in row.answer.evidence if each.says == wanted]
    because = f": {'; '.join(each.words for each in told)}" if told else ""
    place = next((found for each in told if (found := _place(scene, each)) is not None), None)
    return Line(f"{row.cause.title}{because}", place)
