"""What came of experiments, from a file of the user's, checked against the table of experiments.

[[outcome]]
experiment = "poll-rate"
outcome = "dies at the same count"
device = "camera"                  # of every device where it is left out
note = "three runs, 250 ms"
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from console.diagnosis.causes.experiment_table import EXPERIMENTS
from console.diagnosis.causes.experiments import Outcome, Outcomes
from decoders.errors import DescriptionError
from decoders.toml_lines import Document, as_one, closest_hint, parse

_OUTCOMES = {each.slug: each.outcomes for each in EXPERIMENTS}


def load_outcomes(text: str | bytes, name: str) -> tuple[Outcome, ...]:
    """The outcomes of a file's content.

    Args:
        text: TOML.
        name: of the file, for errors.

    Raises:
        DescriptionError: everything wrong, each with file, line and mend.
    """
    document = parse(text, name)
    told = document.convert((), Outcomes).outcome
    errors = [error for k, each in enumerate(told) for error in _errors(document, k, each)]
    errors += list(_contradictions(document, told))
    if errors:
        raise as_one(errors)
    return told


def known(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """Those whose experiment and outcome are in the table: one kept by another version may not."""
    return [each for each in outcomes if each.outcome in _OUTCOMES.get(each.experiment, ())]


def of_device(outcomes: Iterable[Outcome], device: str) -> list[Outcome]:
    """The outcomes that are about a device."""
    return [each for each in outcomes if each.device in ("", device)]


def _contradictions(document: Document, told: Sequence[Outcome]) -> Iterator[DescriptionError]:
    """An experiment that came out in two ways on one device."""
    first: dict[tuple[str, str], Outcome] = {}
    for k, each in enumerate(told):
        before = first.setdefault((each.experiment, each.device), each)
        if before.outcome != each.outcome:
            yield DescriptionError(
                f"'{each.experiment}' came out as '{before.outcome}' further up",
                place=document.place(("outcome", k, "outcome")),
                mend="Keep one of the two, or name the device of each.",
            )


def _errors(document: Document, k: int, told: Outcome) -> Iterator[DescriptionError]:
    row: tuple[str | int, ...] = ("outcome", k)
    if told.experiment not in _OUTCOMES:
        yield DescriptionError(
            f"there is no experiment '{told.experiment}'",
            place=document.place((*row, "experiment")),
            mend=closest_hint(told.experiment, _OUTCOMES, "experiments"),
        )
    elif told.outcome not in _OUTCOMES[told.experiment]:
        yield DescriptionError(
            f"'{told.outcome}' is no outcome of '{told.experiment}'",
            place=document.place((*row, "outcome")),
            mend=closest_hint(told.outcome, _OUTCOMES[told.experiment], "outcomes"),
        )
