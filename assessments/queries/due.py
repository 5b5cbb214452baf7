"""What a trainer starts the day with: what is unfinished, who is booked, who is due and where."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet

from assessments.models import Assessment, Booking
from assessments.queries.bookings import bookings_to_show, from_today
from competence.models import Account, Operator, StandardVersion, Ticket
from competence.queries.renewals import Ready, ready_to_renew
from competence.queries.ticket_lists import tickets_at, today_at, zones
from competence.queries.tickets import column_standing
from competence.rules.dates import day_at
from competence.rules.ticket_words import StateWords, state_words

# How far ahead a ticket's end is somebody's work today (common practice: long enough to plan a day for it).
DUE_DAYS = 90
# As many as one looks at in the morning; the rest are a list away.
SHOWN = 8


@dataclass(frozen=True)
class Due:
    """One ticket that ends soon, or that has ended and can still be renewed."""

    ticket: Ticket
    state: StateWords
    booking: Booking | None
    ready: Ready | None


@dataclass(frozen=True)
class TrainerDay:
    """The trainer's part of the start page."""

    drafts: list[Assessment]
    waiting: list[Assessment]
    today: list[Booking]
    due: list[Due]
    has_more_due: bool


def trainer_day(account: Account, site_ids: frozenset[int] | None, moment: datetime) -> TrainerDay:
    """Eleven statements, or ten where nobody is booked today."""
    mine = list(
        Assessment.objects.filter(assessor=account, status__in=["marking", "finished"])
        .select_related("operator", "machine", "site", "category")
        .order_by("-started_at")
    )
    today = bookings_to_show().filter(from_today(moment, days=1), assessor=account)
    due = due_at(site_ids, moment)
    return TrainerDay(
        drafts=[one for one in mine if one.status == Assessment.Status.MARKING],
        waiting=[one for one in mine if one.status == Assessment.Status.FINISHED],
        today=list(today),
        due=due[:SHOWN],
        has_more_due=len(due) > SHOWN,
    )


def due_at(site_ids: frozenset[int] | None, moment: datetime) -> list[Due]:
    """Who is due at these sites, soonest end first: at most one more than are shown. Seven statements."""
    tickets = list(_tickets_due(site_ids, moment)[: SHOWN + 1])
    ready = ready_to_renew(Ticket.objects.filter(pk__in=[one.pk for one in tickets]), moment.date())
    booked: dict[tuple[int, int], Booking] = {}
    coming = Booking.objects.filter(
        operator__in=[ticket.operator_id for ticket in tickets],
        called_off_at__isnull=True,
        # The first day anywhere on earth; a line too early is told by its date.
        on__gte=(moment - timedelta(days=1)).date(),
    ).select_related("machine__state", "assessor")
    for booking in coming.order_by("-on", "-starts_at"):
        booked[booking.operator_id, booking.machine.state.category_id] = booking
    return [
        Due(
            ticket,
            state_words(column_standing(ticket), today_at(ticket.operator.site, moment)),
            booked.get((ticket.operator_id, ticket.category_id)),
            ready.get((ticket.operator.number, ticket.category.code)),
        )
        for ticket in tickets
    ]


def _tickets_due(site_ids: frozenset[int] | None, moment: datetime) -> QuerySet[Ticket]:
    """Those in force that end within ``DUE_DAYS``, and those that ended so lately that the standard in force
    still lets them be renewed. Two statements here."""
    limits = _lapse_limits(moment.date())
    asked = Q(pk__in=[])
    for key in zones():
        today = day_at(moment, ZoneInfo(key))
        lapsed = Q(pk__in=[])
        for category, days in limits.items():
            lapsed |= Q(category=category, last_day__gte=today - timedelta(days=days))
        ends_soon = Q(last_day__lte=today + timedelta(days=DUE_DAYS))
        asked |= Q(operator__state__site__zone=key) & ends_soon & (Q(last_day__gte=today) | lapsed)
    return (
        tickets_at(site_ids)
        .filter(asked, is_withdrawn=False, level__isnull=False, operator__state__is_active=True)
        .order_by("last_day", "number")
    )


def _lapse_limits(on: date) -> dict[int, int]:
    """How many days after its end a ticket can be renewed, by category. One statement."""
    versions = StandardVersion.objects.filter(in_force_from__lte=on).order_by("in_force_from")
    return dict(versions.values_list("category", "lapse_limit_days"))


def own_bookings(operator: Operator, moment: datetime) -> list[Booking]:
    """What an operator is booked for, from today on. Three statements at most."""
    return list(bookings_to_show().filter(from_today(moment), operator=operator))
