"""The rows of a workbook that are about people: operators, their tickets, what happened to those, evidence.

Each function is one statement, read in chunks; its rows stand in the order of the sheet's columns.
"""

from collections.abc import Iterator
from itertools import groupby
from operator import itemgetter
from typing import Any

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery

from competence.models import Evidence, OperatorState, Ticket, TicketEvent
from competence.queries.tickets import EVENT_COLUMNS, event_from
from competence.queries.workbook import (
    CHUNK,
    Names,
    Slice,
    narrowed_states,
    of_people_then,
    states_then,
)
from competence.rules.conditions import Conditions
from competence.rules.dates import day_at
from competence.rules.standing import EventKind, Level, standing
from competence.rules.ticket_words import LEVEL_WORDS, condition_words, state_words

ACCOUNT = ("first_name", "last_name", "username")
PERSON = ("operator__number", "operator__family_name", "operator__given_name")
KINDS = dict(TicketEvent.Kind.choices)


def person_name(family: str, given: str) -> str:
    return f"{family}, {given}"


def account_name(first: str | None, last: str | None, username: str | None) -> str:
    return f"{first or ''} {last or ''}".strip() or username or ""


def operators_then(asked: Slice) -> QuerySet[OperatorState]:
    """The state of each operator of the slice that held then; with a category, only of those with a ticket
    for it."""
    found = narrowed_states(asked)
    if asked.category is not None:
        held = issued_then(asked).filter(operator=OuterRef("operator"), category=asked.category)
        found = found.filter(Exists(held))
    return found


def operator_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    found = operators_then(asked).order_by("operator__number")
    columns = (*PERSON, "operator__started_on", "is_active", "site_id", "employer_id")
    times = ("effective_at", "recorded_at", "reason", "pk")
    for row in found.values_list(*columns, *times).iterator(chunk_size=CHUNK):
        number, family, given, started, is_active, site, employer, since, recorded, reason, pk = row
        active = "Yes" if is_active else "No"
        where, firm = named.site(site), named.employers.get(employer, "")
        yield number, family, given, started, active, where, firm, since, recorded, reason, str(pk)


def issued_then(asked: Slice) -> QuerySet[Ticket]:
    """Tickets of which something had happened by then, as known then."""
    happened = TicketEvent.objects.filter(
        ticket=OuterRef("pk"),
        effective_at__lte=asked.at,
        recorded_at__lte=asked.known_at,
        corrects__isnull=True,
    )
    return Ticket.objects.filter(Exists(happened))


def tickets_then(asked: Slice) -> QuerySet[Ticket]:
    """The slice's tickets; the days asked about do not narrow what stood at its moment."""
    found = of_people_then(issued_then(asked), asked)
    return found if asked.category is None else found.filter(category=asked.category)


def ticket_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    """Each ticket's standing then, folded from its events in one pass."""
    events = (
        TicketEvent.objects.filter(ticket__in=tickets_then(asked).values("pk"))
        .filter(recorded_at__lte=asked.known_at)
        .order_by("ticket__number", "sequence")
    )
    states = states_then(asked, "ticket__operator")
    events = events.annotate(
        home=Subquery(states.values("site_id")[:1]), firm=Subquery(states.values("employer_id")[:1])
    )
    ticket = ("ticket_id", "ticket__number", *(f"ticket__{column}" for column in PERSON))
    read = events.values_list(*ticket, "home", "firm", "ticket__category_id", *EVENT_COLUMNS)
    for _, group in groupby(read.iterator(chunk_size=CHUNK), itemgetter(0)):
        chain = list(group)
        pk, number, operator, family, given, home, firm, category = chain[0][:8]
        held = standing((event_from(row[8:]) for row in chain), at=asked.at, known_at=asked.known_at)
        state = state_words(held, day_at(asked.at, named.clock(home)))
        about = number, operator, person_name(family, given), named.site(home), named.employers.get(firm, "")
        stands: tuple[Any, ...] = ("", state.word, None, None, "", None)
        if held is not None:
            stands = (
                LEVEL_WORDS[held.level],
                state.word,
                held.first_day,
                held.last_day,
                _conditions(held.conditions, named),
                held.since,
            )
        yield *about, named.categories[category], *stands, str(pk)


def ticket_events_then(asked: Slice) -> QuerySet[TicketEvent]:
    """What had happened by then; a correction wherever what it corrects had."""
    found = TicketEvent.objects.filter(
        Q(effective_at__lte=asked.at) | Q(corrects__effective_at__lte=asked.at),
        asked.within("effective_at"),
        recorded_at__lte=asked.known_at,
    )
    found = of_people_then(found, asked, "ticket__operator")
    return found if asked.category is None else found.filter(ticket__category=asked.category)


def ticket_event_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    # By the ticket too: hardly an event corrects another, and a database that has counted them thinks little
    # of an index of those that do.
    corrections = TicketEvent.objects.filter(
        ticket=OuterRef("ticket"), corrects=OuterRef("pk"), recorded_at__lte=asked.known_at
    )
    newest = corrections.order_by("-recorded_at", "-sequence").values("strikes_out")[:1]
    found = ticket_events_then(asked).annotate(is_struck_out=Subquery(newest))
    by = (f"recorded_by__{column}" for column in ACCOUNT)
    ticket = ("ticket__number", "sequence", *(f"ticket__{column}" for column in PERSON))
    columns = (
        "ticket__category_id",
        "kind",
        "effective_at",
        "recorded_at",
        "level",
        "first_day",
        "last_day",
        "conditions",
        "standard_version__number",
        "corrects__sequence",
        "strikes_out",
        "is_struck_out",
        "reason",
        "pk",
    )
    read = found.order_by("ticket__number", "sequence").values_list(*ticket, *by, *columns)
    for row in read.iterator(chunk_size=CHUNK):
        number, sequence, operator, family, given, first, last, username, *rest = row
        category, kind, effective, recorded, level, first_day, last_day, conditions, *rest = rest
        version, corrects, strikes_out, is_struck_out, reason, pk = rest
        yield (
            number,
            sequence,
            operator,
            person_name(family, given),
            named.categories[category],
            KINDS[kind],
            effective,
            recorded,
            account_name(first, last, username),
            LEVEL_WORDS[Level(level)] if level else "",
            first_day,
            last_day,
            "" if conditions is None else _conditions(Conditions.from_plain(conditions), named),
            version,
            _stands(kind, corrects, strikes_out, is_struck_out),
            reason,
            str(pk),
        )


def _stands(kind: str, corrects: int | None, strikes_out: bool, is_struck_out: bool | None) -> str:
    """Whether an event still counts, as known then."""
    if kind == EventKind.CORRECTED:
        return f"{'Strikes out' if strikes_out else 'Corrects'} no. {corrects}"
    if is_struck_out is None:
        return "Counts"
    return "Struck out" if is_struck_out else "Corrected"


def _conditions(conditions: Conditions, named: Names) -> str:
    return " ".join(condition_words(conditions, named.site_names, named.attachments))


def evidence_then(asked: Slice) -> QuerySet[Evidence]:
    """Evidence of what had happened by the day of the slice's moment, on the workbook's clock. With a
    category, also what names none, such as a medical: it counts for every category."""
    found = of_people_then(Evidence.objects.filter(recorded_at__lte=asked.known_at), asked)
    found = found.filter(asked.within_days("occurred_on"), occurred_on__lte=asked.on)
    if asked.category is not None:
        found = found.filter(Q(category=asked.category) | Q(category__isnull=True))
    return found


def evidence_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    # By the operator too, for the same reason as above; a correction is about the same person.
    corrections = Evidence.objects.filter(
        operator=OuterRef("operator"), corrects=OuterRef("pk"), recorded_at__lte=asked.known_at
    )
    found = (
        evidence_then(asked)
        .annotate(is_struck_out=Subquery(corrections.values("strikes_out")[:1]))
        .order_by("operator__number", "occurred_on", "pk")
    )
    by = (f"recorded_by__{column}" for column in ACCOUNT)
    corrected = ("is_struck_out", "corrects_id", "strikes_out")
    columns = (
        "home",
        "kind",
        "category_id",
        "site_id",
        "machine_model",
        "occurred_on",
        "is_met",
        "counts_to",
        "hours",
        "came_from",
        "recorded_at",
        "reason",
        "pk",
    )
    kinds = dict(Evidence._meta.get_field("kind").choices)
    for row in found.values_list(*PERSON, *by, *corrected, *columns).iterator(chunk_size=CHUNK):
        number, family, given, first, last, username, *rest = row
        is_struck_out, corrects, strikes_out, home, kind, category, site, model, *rest = rest
        occurred_on, is_met, counts_to, hours, came_from, recorded_at, reason, pk = rest
        if is_struck_out is not None:
            stands = "Struck out" if is_struck_out else "Corrected"
        else:
            stands = "Strikes out another row" if strikes_out else "Counts"
        yield (
            number,
            person_name(family, given),
            named.site(home),
            kinds[kind],
            named.categories.get(category, ""),
            named.site(site),
            model,
            occurred_on,
            "Yes" if is_met else "No",
            counts_to,
            hours,
            came_from,
            stands,
            f"Replaces {corrects}: {reason}" if corrects else reason,
            recorded_at,
            account_name(first, last, username),
            str(pk),
        )
