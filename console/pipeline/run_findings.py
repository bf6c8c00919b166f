"""The findings of a run: what its rules find, and what could not be read or decoded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from console.bench.model import Bench
from console.bench.rules import ReplyShape
from console.bench.tables import TABLES, time_column
from console.diagnosis.replies.reply_findings import Wanted, reply_findings
from console.diagnosis.replies.wire_values import Watched, value_findings
from console.pipeline.evidence import Observation, SourceReport
from console.timeline.parties import parties_of
from console.trust.sheet import TrustRow
from console.trust.unobserved import Unobserved, away, unobserved
from console.watch.doubt import doubted
from console.watch.findings import Finding, in_order
from console.watch.from_bench import names_of
from console.watch.watching import watched
from decoders.errors import DiagnosticError


def run_findings(
    bench: Bench,
    tables: Mapping[str, pl.DataFrame],
    reports: Sequence[SourceReport],
    trust: Sequence[TrustRow],
    span_ns: tuple[int, int],
    observation: Observation,
) -> list[Finding]:
    """What the rules find, and the sources that could not be read to their end.

    Args:
        bench: whose rules.
        tables: every table of events, on the common axis.
        reports: what each source held.
        trust: what each source cannot prove.
        span_ns: begin and end of the run.
        observation: what was watched.
    """
    start_ns, end_ns = span_ns
    timed = timed_rows(tables)
    found = watched(
        bench,
        timed,
        start_ns,
        observation.until_ns,
        observation.observed_until,
        observation.unobserved,
        off_axis=observation.off_axis,
    )
    found += _faulty_replies(bench, timed["transactions"], start_ns)
    watched_wire = Watched(observation.observed_until, observation.unobserved)
    found += value_findings(timed, parties_of(timed, bench), start_ns, watched_wire)
    for report in reports:
        if report.stopped is not None:
            found.append(_cut_short(report, report.stopped, end_ns))
        if report.kind == "capture" and (why := _why_undecoded(report, tables)):
            found.append(_undecoded(report, why, start_ns))
        if report.kind == "network" and not report.events:
            why = _NO_FRAME if report.last_ns is None else _NO_MQTT
            found.append(_undecoded(report, why, start_ns))
    return in_order(doubted(found, trust))


_NO_FRAME = "there is no frame in it"
_NO_MQTT = "there is no MQTT in it that can be read; what is encrypted (port 8883) cannot"


def _faulty_replies(bench: Bench, transactions: pl.DataFrame, start_ns: int) -> list[Finding]:
    """What `reply-shape` finds: by the rules of the bench, or of every target."""
    written = [rule for rule in bench.rules if isinstance(rule, ReplyShape)]
    wanted = [Wanted(rule.severity, rule.device, rule.leave_out) for rule in written] or [Wanted()]
    names = names_of(bench)
    return [f for each in wanted for f in reply_findings(transactions, names, start_ns, each)]


def timed_rows(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The tables of events, their rows that have a time."""
    return {
        name: table.filter(pl.col(time_column(name)).is_not_null())
        for name, table in tables.items()
        if name in TABLES
    }


def observation_of(
    reports: Sequence[SourceReport],
    trust: Sequence[TrustRow],
    off_axis: Sequence[str],
    end_ns: int,
    recorded: Mapping[str, Unobserved],
) -> Observation:
    """What was watched.

    Args:
        reports: what each source held.
        trust: what each source cannot prove.
        off_axis: sources whose times mean nothing beside those of others.
        end_ns: of the run.
        recorded: the sources that were recorded, which were watched to the end of the run but for
            these spans.
    """
    observed = {r.name: r.last_ns for r in reports if r.last_ns is not None}
    last_ns = max([end_ns, *observed.values()])  # of sources off the axis, too
    observed |= dict.fromkeys(recorded, end_ns)
    missed = {**unobserved(trust), **recorded}
    return Observation(last_ns, observed, missed, off_axis, {**away(trust), **recorded})


def _why_undecoded(report: SourceReport, tables: Mapping[str, pl.DataFrame]) -> str:
    """Why nothing of a capture was decoded; empty when something was."""
    for name in ("words", "bytes", "pulses"):
        if (tables[name]["source"] == report.name).any():
            return ""
    transactions = tables["transactions"]
    if not report.buses:
        return "no I2C bus was found among its lines"
    decoded = transactions.filter(
        (pl.col("source") == report.name) & pl.col("address").is_not_null()
    )
    if decoded.height:
        return ""
    lines = ", ".join(f"{bus.scl} and {bus.sda}" for bus in report.buses)
    return f"there is no whole transaction on {lines}"


def _undecoded(report: SourceReport, why: str, start_ns: int) -> Finding:
    """A capture of which nothing was decoded says nothing, and must not pass for good."""
    return Finding(
        t_ns=start_ns,
        rule="undecoded",
        severity="warning",
        party=report.name,
        source=report.name,
        summary=f"nothing of this capture was decoded: {why}",
        evidence={"assumed": report.assumed},
    )


def _cut_short(report: SourceReport, stopped: DiagnosticError, end_ns: int) -> Finding:
    """What lies behind the place where a file went bad was not observed, and that is a fault."""
    where = str(stopped.place) if stopped.place else report.name
    has_line = stopped.place is not None and stopped.place.line is not None
    return Finding(
        t_ns=end_ns if report.last_ns is None else report.last_ns,
        rule="unreadable",
        severity="fault",
        party=report.name,
        source=report.name,
        summary=f"cannot be read {f'from {where} on' if has_line else 'to its end'}: "
        f"{stopped.message}",
        evidence={"place": where, "what": stopped.message, "mend": stopped.mend},
    )
