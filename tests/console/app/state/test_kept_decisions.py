from __future__ import annotations

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from console.app.state.kept import Kept
from console.app.state.kept_decisions import decisions_of, kept_decisions
from console.app.state.kept_file import encoded
from console.timeline.alignment.anchors import AnchorId
from console.timeline.alignment.decisions import Decisions, Placed, SourceDecisions

INT64 = st.integers(-(2**63), 2**63 - 1)
NAMES = st.text(st.characters(codec="utf-8"), max_size=8)
ANCHORS = st.frozensets(st.builds(AnchorId, NAMES, NAMES, INT64), max_size=4)
OWN = st.builds(
    SourceDecisions, ANCHORS, ANCHORS, st.lists(st.builds(Placed, INT64, INT64)).map(tuple)
)


@given(sources=st.dictionaries(NAMES, OWN, max_size=3))
def test_decisions_come_back_from_the_file_as_they_were(
    sources: dict[str, SourceDecisions],
) -> None:
    kept = Kept(decisions=kept_decisions(Decisions(sources)))
    read = msgspec.json.decode(encoded(kept), type=Kept)
    assert decisions_of(read.decisions) == Decisions(sources)


@given(anchors=ANCHORS)
def test_the_same_decisions_make_the_same_file(anchors: frozenset[AnchorId]) -> None:
    one = Decisions({"log": SourceDecisions(rejected=anchors)})
    other = Decisions({"log": SourceDecisions(rejected=frozenset(sorted(anchors, reverse=True)))})
    assert kept_decisions(one) == kept_decisions(other)
