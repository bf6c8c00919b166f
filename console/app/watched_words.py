"""What a run was watched for, in words: said where nothing was found."""

from __future__ import annotations

from collections.abc import Iterator

from console.app.run_view import RunView
from console.pipeline.source_words import coarse_ns, source_span, unit_of
from console.watch.defaults import DEFAULT_WORDS

MOST_RULES = 40


def watched_words(view: RunView) -> Iterator[str]:
    """Lines about the sources and the rules of a run; text from outside is not cleaned."""
    evidence = view.evidence
    if not evidence.sources:
        yield "Nothing was watched: the run has no source."
        return
    yield "Watched:"
    band_ns = coarse_ns(evidence.end_ns - evidence.start_ns)
    for source in evidence.sources:
        span = source_span(source, evidence.start_ns, band_ns)
        told = f"{source.kind}, {source.events:,} {unit_of(source)}"
        yield f"  {source.name}: {told}{', ' if span else ''}{span}"
    named = [rule.name for rule in view.bench.rules if rule.name]
    kinds = {type(rule).__struct_config__.tag for rule in view.bench.rules if not rule.name}
    own = [*named, *sorted(str(kind) for kind in kinds)]
    if own:
        more = f" and {len(own) - MOST_RULES} more" if len(own) > MOST_RULES else ""
        yield f"For, by the bench file: {', '.join(own[:MOST_RULES])}{more}"
    yield f"For, on every bench: {', '.join(DEFAULT_WORDS)}"
