"""What a reader of the demo's evidence must find: `truth.json` beside it.

All `*_ns` are times of the capture's clock, the common axis of the demo.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

from captures_demo.simulator.cap_line import CAMERA, HOPPER
from captures_demo.simulator.cap_line_plan import Plan
from captures_demo.simulator.ledger import TransactionTruth
from captures_demo.simulator.run import Run

SCHEMA = 1

Summary = dict[str, object]


def summary(run: Run, plan: Plan) -> Summary:
    """The compact truth, ready for JSON."""
    return {
        "schema": SCHEMA,
        "scenario": run.name,
        "seed": plan.seed,
        "capture": _capture(run),
        "camera": _camera(run, plan),
        "hopper": _hopper(run),
        "prints": _prints(run),
        "messages": _messages(run),
        "faults": [
            {
                "t_ns": run.capture_ns(fault.t_ns),
                "kind": fault.kind,
                "where": fault.where,
                "note": fault.note,
            }
            for fault in run.truth.faults
        ],
        "clocks": [
            {
                "source": row.source,
                "clock": row.clock,
                "at_native_ns": row.at_native_ns,
                "at_common_ns": row.at_common_ns,
                "offset_ns": row.offset_ns,
                "drift_ppm": round(row.drift_ppm, 9),
            }
            for row in run.truth.clocks
        ],
    }


def _capture(run: Run) -> Summary:
    recorded = run.recorded()
    return {
        "edges": len(recorded.t_ns) - 1,
        "channels": list(recorded.channels),
        "sample_rate_hz": recorded.sample_rate_hz,
        "until_ns": recorded.until_ns,
        "transactions": len(run.truth.transactions),
    }


def _camera(run: Run, plan: Plan) -> Summary:
    rows = [row for row in run.truth.transactions if row.address == CAMERA]
    answered = [row for row in rows if row.address_acked]
    last, silent = answered[-1], [row for row in rows if row.start_ns > answered[-1].start_ns]
    before = rows[rows.index(last) - 1]
    return {
        "address": CAMERA,
        "polls": sum(not row.read for row in rows),
        "polls_answered": sum(row.read for row in answered),
        "transactions_answered": len(answered),
        "last_request_start_ns": run.capture_ns(before.start_ns),
        "last_reply_start_ns": run.capture_ns(last.start_ns),
        "last_reply_end_ns": run.capture_ns(last.end_ns),
        "first_unanswered_ns": run.capture_ns(silent[0].start_ns),
        "first_transaction_ns": run.capture_ns(rows[0].start_ns),
        "transactions_unanswered": len(silent),
        "how": "address-nack",
        "wrong_check_code": sorted(plan.damaged),
        "no_width": sorted(plan.flat),
        "outside_picture": sorted(plan.outside),
        "nack_runs": [
            {"start_ns": run.capture_ns(first.start_ns), "polls": length}
            for first, length in _nack_runs(rows)
            if first is not silent[0]
        ],
    }


def _nack_runs(rows: list[TransactionTruth]) -> list[tuple[TransactionTruth, int]]:
    """First transaction and length of each unbroken run of unanswered ones."""
    bad = [at for at, row in enumerate(rows) if not row.address_acked]
    starts = [at for before, at in pairwise([-2, *bad]) if at != before + 1]
    ends = [at for at, after in pairwise([*bad, len(rows) + 1]) if after != at + 1]
    return [(rows[a], b - a + 1) for a, b in zip(starts, ends, strict=True)]


def _hopper(run: Run) -> Summary:
    rows = [row for row in run.truth.transactions if row.address == HOPPER]
    low = [p for p in run.truth.prints if p.text.startswith("hopper: low")]
    return {
        "address": HOPPER,
        "polls_answered": sum(row.read and row.address_acked for row in rows),
        "low_printed_ns": [run.capture_ns(line.t_ns) for line in low],
    }


def _prints(run: Run) -> Summary:
    lines = run.truth.prints
    wrapped = [at for at, (a, b) in enumerate(pairwise(lines), 2) if b.tick < a.tick]
    return {
        "lines": len(lines),
        "levels": dict(sorted(Counter(line.level for line in lines).items())),
        "first_lines_after_rollover": wrapped,
        "rollover_ns": [run.capture_ns(lines[at - 1].t_ns) for at in wrapped],
    }


def _messages(run: Run) -> Summary:
    sent = Counter(message.topic for message in run.truth.messages)
    recorded = Counter(row.topic for row in run.message_rows)
    return {
        "sent": dict(sorted(sent.items())),
        "recorded": dict(sorted(recorded.items())),
        "lost": [
            {
                "sent_ns": run.capture_ns(message.sent_ns),
                "topic": message.topic,
                "hop": message.lost,
                "payload": message.payload,
            }
            for message in run.truth.lost_messages
        ],
    }
