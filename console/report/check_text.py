"""What `check` prints for people: the sources, then what was found, gravest first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import click

from console.pipeline.evidence import Evidence, SourceReport
from console.pipeline.source_words import coarse_ns, source_span, unit_of
from console.pipeline.telling import Told
from console.printable import printable
from console.report.story_text import How, story_text
from console.report.trust_text import trust_lines
from console.report.wrapping import wrapped
from console.timeline.clock_words import clock_words
from console.timeline.clocks import ClockMap
from console.timeline.times import since_start
from console.watch.doubt import DOUBT
from console.watch.findings import SEVERITIES, Finding, counted, gravest_first
from decoders.durations import UNITS_NS

COLOURS = {"fault": "red", "warning": "yellow", "note": "cyan"}
MOST_SHOWN = 40  # findings printed in full; `--all` prints the rest


def check_text(
    evidence: Evidence,
    told: Told | None = None,
    *,
    colour: bool,
    width: int | None = None,
    all_findings: bool = False,
) -> str:
    """The whole report as text that ends with a line feed; safe for a terminal.

    Args:
        evidence: what to tell.
        told: why peripherals stopped; None leaves that out.
        colour: whether severities are coloured.
        width: columns to wrap findings to; None leaves each on one line.
        all_findings: whether to print more than the first forty, and every story in full.
    """
    head = [each for line in _head(evidence) for each in wrapped(line, width, _deeper(line))]
    findings = _findings(evidence, colour, width, all_findings)
    how = evidence.start_ns, colour, width
    stories = [] if told is None else list(_stories(told, how, all_findings))
    return "\n".join([*head, "", *findings, "", *stories, _sum(evidence)]) + "\n"


def _stories(told: Told, how: How, all_of_them: bool) -> Iterator[str]:
    """The gravest story; of others that there are."""
    start_ns, colour, width = how
    shown = told.stories if all_of_them else told.stories[:1]
    for story in shown:
        yield story_text([story], start_ns, colour=colour, width=width, unfolded=all_of_them)
    more = len(told.stories) - len(shown) + told.looked.untold
    if more:
        yield f"and {counted(more, 'more story', 'more stories')}: --all tells all\n"


def _head(evidence: Evidence) -> Iterator[str]:
    count = len(evidence.sources)
    band_ns = coarse_ns(evidence.end_ns - evidence.start_ns)
    span = since_start(evidence.end_ns - evidence.start_ns, band_ns)
    yield f"{printable(evidence.name)}: {count} source{'s' * (count != 1)}, {span} on one axis"
    if evidence.interrupted:
        yield "interrupted: only what was read so far"
    wide = max((len(printable(s.name)) for s in evidence.sources), default=0)
    for source in evidence.sources:
        clock = evidence.clocks.get(source.name)
        told = _source(source, clock, evidence.start_ns, band_ns)
        yield f"  {printable(source.name):{wide}}  {told}"
        for remark in source.assumed:
            yield f"  {'':{wide}}    {printable(remark)}"
        if source.stopped is not None:
            yield f"  {'':{wide}}    stopped at {printable(str(source.stopped).splitlines()[0])}"
    yield from trust_lines(evidence.tables["trust"], evidence.start_ns)


def _source(source: SourceReport, clock: ClockMap | None, start_ns: int, band_ns: int) -> str:
    words = f"{source.kind:8}  {source.events:>9,} {unit_of(source):8}"
    span = source_span(source, start_ns, band_ns)
    if not span:
        return words.rstrip()
    is_beside = clock is not None and not clock.has_place
    return f"{words}  {span}{' ' if is_beside else '  '}{clock_words(clock)}"


def _findings(
    evidence: Evidence, colour: bool, width: int | None, all_findings: bool
) -> Iterator[str]:
    ordered = sorted(evidence.findings, key=gravest_first)
    shown = ordered if all_findings else ordered[:MOST_SHOWN]
    times = [
        since_start(f.t_ns - evidence.start_ns, max(f.evidence.get("band_ns", 0), UNITS_NS["ms"]))
        for f in shown
    ]
    wide = max(map(len, times), default=0)
    for finding, at in zip(shown, times, strict=True):
        yield _finding(finding, f"{at:>{wide}}", colour, width)
    if len(shown) < len(ordered):
        yield f"and {len(ordered) - len(shown)} more: --all prints them"
    if not ordered:
        yield "no rule found anything wrong"


def _finding(finding: Finding, at: str, colour: bool, width: int | None) -> str:
    """Severity, when, and what, which says whose it is."""
    severity = f"{finding.severity:7}"
    party, summary = printable(finding.party), printable(finding.summary)
    text = summary if summary.startswith(party) else f"{party}: {summary}"
    if kinds := finding.evidence.get(DOUBT):
        text += f" [in doubt: {', '.join(kinds)}]"
    said = f"{severity}  {at}  {text}"
    line = "\n".join(wrapped(said, width, len(severity) + len(at) + 4))
    if colour:
        bright = click.style(severity, fg=COLOURS[finding.severity], bold=True)
        line = bright + line.removeprefix(severity)
    return line


def _deeper(line: str) -> int:
    return max(6, len(line) - len(line.lstrip()) + 2)


def _sum(evidence: Evidence) -> str:
    counts = Counter(finding.severity for finding in evidence.findings)
    parts = [f"{counts[s]} {s}{'s' * (counts[s] != 1)}" for s in SEVERITIES]
    return ", ".join(parts)
