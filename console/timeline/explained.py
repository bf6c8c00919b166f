"""Everything about one event: the sheet that stands beside the timeline.

Its parts are in `sheet/`, one module a kind of event; here they are chosen and put together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import polars as pl

from console.bench.load import BenchFile
from console.timeline.events import EVENT_TABLES, Events
from console.timeline.parties import Parties
from console.timeline.sheet.absence import exchange_body, missing_body
from console.timeline.sheet.around import around_lines
from console.timeline.sheet.happening import happening_body
from console.timeline.sheet.lines import Body, Sheet
from console.timeline.sheet.message import message_body
from console.timeline.sheet.packet import packet_body
from console.timeline.sheet.printed import print_body
from console.timeline.sheet.run import Row, Run
from console.timeline.sheet.states import pulse_body, state_body, word_body
from console.timeline.sheet.transaction import transaction_body
from decoders.packets.layout import PacketSet

_BODIES: Mapping[str, Callable[[Run, int, Row], Body]] = {
    "transactions": transaction_body,
    "packets": packet_body,
    "words": word_body,
    "pulses": pulse_body,
    "line_states": state_body,
    "exchanges": exchange_body,
    "happenings": happening_body,
    "prints": print_body,
    "messages": message_body,
    "links": missing_body,
}


def explained(
    tables: Mapping[str, pl.DataFrame],
    bench_file: BenchFile | None,
    parties: Parties,
    events: Events,
    k: int,
    *,
    start_ns: int = 0,
    loose: PacketSet | None = None,
) -> Sheet:
    """The sheet of event k. Nothing on it is cleaned: whoever draws it does that.

    Args:
        tables: the tables of the run by name, `clocks` and `findings` among them; `links` may be
            missing.
        bench_file: the bench and the packet descriptions of its devices; None for loose files.
        parties: the parties of the run.
        events: the index over the tables.
        k: which event, 0 <= k < len(events).
        start_ns: the start of the run on the common axis.
        loose: the description of devices that the bench does not name.

    Raises:
        IndexError: if there is no such event.
    """
    if not 0 <= k < len(events):
        raise IndexError(f"no event {k} among {len(events)}")
    run = Run(tables, bench_file, parties, start_ns, loose)
    table, at = EVENT_TABLES[int(events.table[k])], int(events.row[k])
    row = tables[table].row(at, named=True)
    body = _BODIES[table](run, at, row)
    t_ns = int(events.t_ns[k])
    band_ns = row.get("band_ns", 0)
    return Sheet(
        title=body.title,
        party=parties.every[int(events.party[k])].name,
        t_ns=t_ns,
        end_ns=body.end_ns,
        time=run.time(t_ns, band_ns),
        band_ns=band_ns,
        clock=run.clock(body.source, t_ns),
        state=int(events.state[k]),
        problems=body.problems,
        compared=body.compared,
        lines=(*body.lines, *around_lines(run, table, at, t_ns)),
    )
