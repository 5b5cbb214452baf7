"""What happened to one operator, in one line of time: tickets, evidence, changes, checks refused."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

from competence.models import Account, Evidence, JournalEntry, Operator, OperatorState, Refusal, TicketEvent
from competence.queries.ticket_lists import Names
from competence.rules.conditions import Conditions
from competence.rules.reasons import long_date

# Written down this long after it took effect, an event is flagged; evidence travels on paper, so longer.
WRITTEN_LATE = timedelta(days=1)
EVIDENCE_LATE = timedelta(days=14)

TONES = {
    "issued": "good",
    "renewed": "good",
    "reinstated": "good",
    "varied": "note",
    "suspended": "stop",
    "withdrawn": "stop",
    "corrected": "warn",
}


@dataclass(frozen=True)
class Happening:
    """One event in words, as the screen draws it."""

    sort_key: tuple[datetime, int]
    what: str
    when: str
    when_iso: str
    tone: str = "note"
    says: list[str] = field(default_factory=list)
    who: str = ""
    why: str = ""
    recorded: str = ""
    recorded_later: str = ""
    is_corrected: bool = False
    ticket: str = ""
    sequence: int = 0
    corrections: list["Happening"] = field(default_factory=list)


def moment_words(at: datetime, zone: ZoneInfo) -> str:
    """A moment on a site's clock: 5 March 2026, 14:30."""
    local = at.astimezone(zone)
    return f"{long_date(local.date())}, {local:%H:%M}"


def events_of(tickets: Iterable[int]) -> list[TicketEvent]:
    """The events of these tickets, in the order of recording. One statement."""
    return list(
        TicketEvent.objects.filter(ticket__in=tickets)
        .select_related("recorded_by", "corrects", "ticket__category", "standard_version")
        .order_by("ticket_id", "sequence")
    )


def ticket_happenings(
    events: Sequence[TicketEvent], zone: ZoneInfo, named: Names, *, with_ticket: bool = True
) -> list[Happening]:
    """Each event of one or more chains in words; ``with_ticket`` names the ticket. No statement."""
    corrected = {event.corrects_id for event in events if event.corrects_id}
    return [_ticket_happening(event, zone, named, event.pk in corrected, with_ticket) for event in events]


def chain_happenings(events: Sequence[TicketEvent], zone: ZoneInfo, named: Names) -> list[Happening]:
    """One chain in order of effect, each correction beside the event that it corrects. No statement."""
    happenings = dict(
        zip((e.pk for e in events), ticket_happenings(events, zone, named, with_ticket=False), strict=True)
    )
    for event in events:
        if event.corrects_id:
            happenings[event.corrects_id].corrections.append(happenings[event.pk])
    roots = [happenings[event.pk] for event in events if not event.corrects_id]
    return sorted(roots, key=lambda happening: happening.sort_key)


def _ticket_happening(
    event: TicketEvent, zone: ZoneInfo, named: Names, is_corrected: bool, with_ticket: bool
) -> Happening:
    ticket = event.ticket
    label = event.get_kind_display()
    if event.corrects_id and event.corrects:
        kind = event.corrects.get_kind_display().lower()
        label = f"Struck out: “{kind}”" if event.strikes_out else f"Corrected: “{kind}” should have said"
    return Happening(
        sort_key=(event.effective_at, event.pk),
        what=f"{label} · {ticket.category.name} {ticket.number}" if with_ticket else label,
        when=moment_words(event.effective_at, zone),
        when_iso=event.effective_at.isoformat(),
        tone=TONES[event.kind],
        says=[] if event.strikes_out else said(event, named),
        who=_name(event.recorded_by),
        why=event.reason,
        recorded=moment_words(event.recorded_at, zone),
        recorded_later=_later(event.effective_at, event.recorded_at, zone),
        is_corrected=is_corrected,
        ticket=ticket.number,
        sequence=event.sequence,
    )


def said(event: TicketEvent, named: Names) -> list[str]:
    """What an event states about the ticket, one sentence a part; what it leaves alone is left out."""
    says = []
    if event.level:
        says.append(f"Level: {event.get_level_display().lower()}.")
    if event.first_day and event.last_day:
        says.append(f"From {long_date(event.first_day)} to {long_date(event.last_day)}.")
    elif event.last_day:
        says.append(f"Last day {long_date(event.last_day)}.")
    elif event.first_day:
        says.append(f"First day {long_date(event.first_day)}.")
    if event.conditions is not None:
        conditions = named.of(Conditions.from_plain(event.conditions))
        says += conditions or ["No conditions."]
    if event.standard_version:
        says.append(f"By version {event.standard_version.number} of the standard.")
    return says


def _later(
    effective_at: datetime, recorded_at: datetime, zone: ZoneInfo, late: timedelta = WRITTEN_LATE
) -> str:
    return moment_words(recorded_at, zone) if recorded_at - effective_at > late else ""


def _name(account: Account | None) -> str:
    return account.name if account else "the set-up of the register"


def evidence_happenings(evidence: Iterable[Evidence], zone: ZoneInfo) -> list[Happening]:
    """No statement."""
    return [_evidence_happening(row, zone) for row in evidence]


def _evidence_happening(row: Evidence, zone: ZoneInfo) -> Happening:
    about = row.category or row.site or row.machine_model
    label = row.get_kind_display()
    if row.strikes_out:
        what, tone = f"Struck out: {label.lower()}", "warn"
    elif row.corrects_id:
        what, tone = f"Corrected: {label.lower()}", "warn"
    elif row.is_met:
        what, tone = label, "good"
    else:
        what, tone = f"{label}: not passed", "stop"
    return Happening(
        sort_key=(_start(row.occurred_on, zone), row.pk),
        what=f"{what} · {getattr(about, 'name', about)}" if about else what,
        when=long_date(row.occurred_on),
        when_iso=row.occurred_on.isoformat(),
        tone=tone,
        says=[f"{row.hours.normalize():f} hours."] if row.hours else [],
        who=_name(row.recorded_by),
        why=row.reason or row.came_from,
        recorded_later=_later(_start(row.occurred_on, zone), row.recorded_at, zone, EVIDENCE_LATE),
        is_corrected=hasattr(row, "corrected_by"),
    )


def _start(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time.min, zone).astimezone(UTC)


def change_happenings(operator: Operator, zone: ZoneInfo) -> list[Happening]:
    """Entry, moves, leaving and coming back. One statement."""
    states = list(
        OperatorState.objects.filter(operator=operator)
        .select_related("site", "employer")
        .order_by("effective_at", "recorded_at", "pk")
    )
    found, before = [], None
    for state in states:
        found.append(_change_happening(state, before, zone))
        before = state
    return found


def _change_happening(state: OperatorState, before: OperatorState | None, zone: ZoneInfo) -> Happening:
    if before is None:
        what, tone = "Entered on the register", "note"
    elif before.is_active != state.is_active:
        what, tone = ("Active again", "good") if state.is_active else ("No longer active", "stop")
    else:
        what, tone = "Moved", "note"
    return Happening(
        sort_key=(state.effective_at, state.pk),
        what=what,
        when=moment_words(state.effective_at, zone),
        when_iso=state.effective_at.isoformat(),
        tone=tone,
        says=[f"{state.site.name}, employed by {state.employer.name}."],
        why=state.reason,
        recorded_later=_later(state.effective_at, state.recorded_at, zone),
    )


def correction_happenings(operator: Operator, zone: ZoneInfo) -> list[Happening]:
    """Names and first days put right, from the journal. One statement."""
    entries = (
        JournalEntry.objects.filter(
            action="operator.corrected", rows__kind=Operator._meta.label_lower, rows__key=str(operator.pk)
        )
        .select_related("by")
        .order_by("pk")
    )
    return [
        Happening(
            sort_key=(entry.at, entry.pk),
            what="Name or first day corrected",
            when=moment_words(entry.at, zone),
            when_iso=entry.at.isoformat(),
            tone="warn",
            who=_name(entry.by),
            why=entry.reason,
        )
        for entry in entries
    ]


def refusal_happenings(operator: Operator, zone: ZoneInfo) -> list[Happening]:
    """Daily checks that the gate stopped. One statement."""
    refusals = Refusal.objects.filter(operator=operator).select_related("machine", "site").order_by("at")
    return [
        Happening(
            sort_key=(refusal.at, 0),
            what=f"Daily check refused · {refusal.machine.fleet_number}",
            when=moment_words(refusal.at, zone),
            when_iso=refusal.at.isoformat(),
            tone="stop",
            says=[reason["sentence"] for reason in refusal.verdict.get("reasons", [])],
            why=f"At {refusal.site.name}",
        )
        for refusal in refusals
    ]


@dataclass(frozen=True)
class Year:
    """The events of one calendar year, newest first."""

    year: int
    happenings: list[Happening]


def by_year(happenings: Iterable[Happening], zone: ZoneInfo) -> list[Year]:
    """Events of ``in_time``, parted by the year on a site's calendar."""
    parted = groupby(happenings, key=lambda happening: happening.sort_key[0].astimezone(zone).year)
    return [Year(year, list(events)) for year, events in parted]


def in_time(*parts: Iterable[Happening]) -> list[Happening]:
    """One line of time, newest first."""
    every = [happening for part in parts for happening in part]
    return sorted(every, key=lambda happening: happening.sort_key, reverse=True)
