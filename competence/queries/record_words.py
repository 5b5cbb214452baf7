"""What was written down, in sentences: by whom, when, with effect from when, and what that turned."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from competence.models import Account, Evidence, MachineState, OperatorState, StandardVersion, TicketEvent
from competence.queries.record_rows import FirstDayPutRight, Mark
from competence.queries.ticket_lists import Names
from competence.queries.timeline import moment_words, said
from competence.rules.gate import Verdict
from competence.rules.hindsight import ChangeOfMind, RowKind
from competence.rules.reasons import long_date
from competence.rules.requirements import RequirementKind

# Written down within this of taking effect, a thing was written down as it happened.
AT_ONCE = timedelta(minutes=10)
NOBODY_NAMED = "Nobody who is named"


@dataclass(frozen=True)
class Wording:
    """One row in words. ``did``: what was written down, for after the name of who did; ``details``: what it
    states, a sentence each; ``effective``: from when it counts."""

    did: str
    effective: str
    why: str
    recorded_at: datetime
    recorded_by: Account | None = None
    details: tuple[str, ...] = ()


def wording(kind: RowKind, row: Any, mark: Mark | None, zone: ZoneInfo, named: Names) -> Wording:
    """A row of the record in words, on one site's clock. ``mark`` says who wrote a state down, which the row
    itself does not. No statement."""
    worded = _WORDINGS[kind](row, zone, named)
    if worded.recorded_by is None and mark is not None and mark.by is not None:
        return Wording(worded.did, worded.effective, worded.why, worded.recorded_at, mark.by, worded.details)
    return worded


def sentence(worded: Wording, zone: ZoneInfo) -> str:
    """ "On 3 March 2026, 09:10, Idris Penhale recorded that …"."""
    who = worded.recorded_by.name if worded.recorded_by else NOBODY_NAMED
    return f"On {moment_words(worded.recorded_at, zone)}, {who} {worded.did}."


def turn_sentence(change: ChangeOfMind) -> str:
    """What one change of mind turned: what the register said until then, and what from then on."""
    before, after = word_of(change.before), word_of(change.after)
    if change.turned:
        return f"Until then the register said {before}; from then on it said {after}."
    parts = [f"It went on saying {after}"]
    if change.come:
        parts.append(f"now also because: {_joined(change.come)}")
    if change.gone:
        parts.append(f"no longer because: {_joined(change.gone)}")
    return "; ".join(parts) + "."


def word_of(verdict: Verdict) -> str:
    return "allowed" if verdict.is_allowed else "refused"


def _joined(reasons: Any) -> str:
    return " ".join(reason.sentence for reason in reasons).removesuffix(".")


def _from(effective_at: datetime, recorded_at: datetime, zone: ZoneInfo) -> str:
    """ " from 1 March 2026, 14:00", or " from that moment"."""
    if recorded_at - effective_at <= AT_ONCE:
        return "from that moment"
    return f"from {moment_words(effective_at, zone)}"


NOUNS = {
    "issued": "issue",
    "renewed": "renewal",
    "varied": "variation",
    "suspended": "suspension",
    "reinstated": "reinstatement",
    "withdrawn": "withdrawal",
    "corrected": "correction",
}


def _event(row: TicketEvent, zone: ZoneInfo, named: Names) -> Wording:
    ticket = f"ticket {row.ticket.number} ({row.ticket.category.name})"
    effective = moment_words(row.effective_at, zone)
    details = () if row.strikes_out else tuple(said(row, named))
    if row.corrects is not None:
        which = f"the {NOUNS[row.corrects.kind]} of {moment_words(row.corrects.effective_at, zone)}"
        if row.strikes_out:
            did = f"struck out {which} of {ticket}"
        elif row.effective_at != row.corrects.effective_at:
            did = f"corrected {which} of {ticket}: it took effect on {effective}"
        else:
            did = f"corrected {which} of {ticket}"
    else:
        since = _from(row.effective_at, row.recorded_at, zone)
        did = f"recorded that {ticket} was {row.kind} {since}"
    return Wording(did, effective, row.reason, row.recorded_at, row.recorded_by, details)


def _evidence(row: Evidence, zone: ZoneInfo, named: Names) -> Wording:
    kind = row.get_kind_display().lower()
    about = row.category or row.site
    place = f" for {about.name}" if about else f" on {row.machine_model}" if row.machine_model else ""
    day = long_date(row.occurred_on)
    details = [] if row.strikes_out else [_counts(row)]
    if row.corrects is not None and row.strikes_out:
        did = f"struck out the {kind}{place} of {long_date(row.corrects.occurred_on)}"
    elif row.corrects is not None:
        did = f"corrected the {kind}{place} of {long_date(row.corrects.occurred_on)}, now of {day}"
    else:
        did = f"recorded the {kind}{place} of {day}"
    return Wording(
        did, day, row.reason or row.came_from, row.recorded_at, row.recorded_by, tuple(filter(None, details))
    )


def _counts(row: Evidence) -> str:
    """What a row of evidence states, as one sentence."""
    was_done = row.kind not in (RequirementKind.PRACTICAL, RequirementKind.PAPER, RequirementKind.MEDICAL)
    met = ("Done" if was_done else "Passed") if row.is_met else ("Not done" if was_done else "Not passed")
    parts = [met]
    if row.hours:
        parts.append(f"{row.hours.normalize():f} hours")
    if row.counts_to:
        parts.append(f"counts to {long_date(row.counts_to)}")
    return ", ".join(parts) + "."


def _operator_state(row: OperatorState, zone: ZoneInfo, named: Names) -> Wording:
    since = _from(row.effective_at, row.recorded_at, zone)
    did = f"recorded that the operator was {'' if row.is_active else 'no longer '}active {since}"
    return Wording(
        did,
        moment_words(row.effective_at, zone),
        row.reason,
        row.recorded_at,
        None,
        (f"At {row.site.name}, employed by {row.employer.name}.",),
    )


def _machine_state(row: MachineState, zone: ZoneInfo, named: Names) -> Wording:
    since = _from(row.effective_at, row.recorded_at, zone)
    service = "in service" if row.is_in_service else "out of service"
    did = f"recorded that {row.machine.fleet_number} stood at {row.site.name}, {service}, {since}"
    mass = f"{row.operating_mass_kg:,} kg" if row.operating_mass_kg else "mass not recorded"
    fitted = ", ".join(one.feature.name for one in row.fitted.all() if one.feature.kind == "attachment")
    details = f"{row.make_and_model}, {row.category.name}, {mass}; fitted: {fitted or 'no attachment'}."
    return Wording(did, moment_words(row.effective_at, zone), row.reason, row.recorded_at, None, (details,))


def _standard(row: StandardVersion, zone: ZoneInfo, named: Names) -> Wording:
    did = (
        f"published version {row.number} of the standard for {row.category.name}, "
        f"in force from {long_date(row.in_force_from)}"
    )
    asks = ", ".join(one.title for one in row.requirements.all()) or "nothing"
    return Wording(
        did,
        long_date(row.in_force_from),
        row.note,
        row.recorded_at,
        row.recorded_by,
        (f"It asks for: {asks}.",),
    )


def _first_day(row: FirstDayPutRight, zone: ZoneInfo, named: Names) -> Wording:
    day = long_date(row.started_on)
    return Wording(
        f"put the first day at work of {row.operator.name} right: {day}",
        day,
        row.reason,
        row.recorded_at,
        row.recorded_by,
    )


_WORDINGS: dict[RowKind, Callable[[Any, ZoneInfo, Names], Wording]] = {
    RowKind.TICKET_EVENT: _event,
    RowKind.EVIDENCE: _evidence,
    RowKind.OPERATOR_STATE: _operator_state,
    RowKind.MACHINE_STATE: _machine_state,
    RowKind.STANDARD_VERSION: _standard,
    RowKind.OPERATOR: _first_day,
}
