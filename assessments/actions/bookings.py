"""Booking assessments: a day, a site, a machine, operators, an assessor."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from assessments.models import Assessment, Booking
from assessments.queries.practical import appointment_on
from competence.actions.absences import away_words
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import Account, Machine, Operator
from competence.permissions import Right, may, require
from competence.queries.absences import absences_on
from competence.rules.dates import day_at
from competence.rules.reasons import long_date


def book_assessment(*, by: Account, operator: Operator, **asked: object) -> Booking:
    """Book one operator; see ``book_assessments``."""
    return book_assessments(by=by, operators=[operator], **asked)[0]


@transaction.atomic
def book_assessments(
    *,
    by: Account,
    on: date,
    machine: Machine,
    operators: Sequence[Operator],
    assessor: Account,
    starts_at: time | None = None,
    minutes_each: int | None = None,
    note: str = "",
) -> list[Booking]:
    """Book operators to be assessed on a machine, where it stands, by one assessor on one day: all or none.

    With a time and ``minutes_each`` they follow one another in the order given. What is wrong with one of
    them is refused by name. Raises ``ActionRefused``, and ``ValidationError`` where several are at fault.
    """
    require(by, Right.BOOK, site=machine.site)
    operators = _locked_in_order(operators)
    for operator in operators:
        require(by, Right.BOOK, site=operator.site)
    refuse_erased(*operators)
    # The assessor's row is a lock too: one person is not booked twice for the same time.
    assessor = Account.objects.select_for_update(of=("self",)).get(pk=assessor.pk)
    if on < day_at(now(), ZoneInfo(machine.site.zone)):
        raise ActionRefused("That day has gone by.", field="on")
    _refuse_assessor(assessor, machine, operators, on)
    _refuse_away(assessor, operators, on)
    times = _times(starts_at, minutes_each, len(operators))
    _refuse_taken(assessor, machine, operators, on, times)
    bookings = [
        Booking(
            on=on,
            starts_at=starts,
            site=machine.site,
            machine=machine,
            operator=operator,
            assessor=assessor,
            note=note,
            made_at=now(),
            made_by=by,
        )
        for operator, starts in zip(operators, times, strict=True)
    ]
    # They differ in operator and time only, and those were looked at above.
    bookings[0].full_clean()
    bookings = Booking.objects.bulk_create(bookings)
    record(by=by, action="booking.made", rows=bookings)
    return bookings


def _locked_in_order(operators: Sequence[Operator]) -> list[Operator]:
    """The operators, locked, in the order in which they were given."""
    wanted = [operator.pk for operator in operators]
    if not wanted:
        raise ActionRefused("Choose whom to book.", field="operators")
    locked = Operator.objects.select_for_update(of=("self",)).with_state().order_by("pk")
    found = {operator.pk: operator for operator in locked.filter(pk__in=wanted)}
    return [found[pk] for pk in dict.fromkeys(wanted)]


def _refuse_assessor(assessor: Account, machine: Machine, operators: list[Operator], on: date) -> None:
    category = machine.state.category
    if not may(assessor, Right.ASSESS, site=machine.site):
        raise ActionRefused(f"{assessor.name} is no trainer at {machine.site.name}.", field="assessor")
    if appointment_on(assessor, category, on) is None:
        raise ActionRefused(
            f"{assessor.name} holds no appointment in date for {category.name} on {long_date(on)}.",
            field="assessor",
        )
    wrong = []
    for operator in operators:
        if operator.pk == assessor.operator_id:
            wrong.append(f"{operator}: nobody assesses themself; choose another assessor.")
        elif not operator.state.is_active:
            wrong.append(f"{operator} is not active on the register.")
        elif not may(assessor, Right.RECORD_ASSESSMENT, site=operator.site):
            wrong.append(f"{operator}: {assessor.name} is no trainer at {operator.site.name}.")
    if wrong:
        raise ValidationError({"operators": wrong})


def _refuse_away(assessor: Account, operators: list[Operator], on: date) -> None:
    """Nobody is booked on a day on which they are away. One statement."""
    wrong: dict[str, list[str]] = {"operators": [], "assessor": []}
    of = {operator.pk for operator in operators}
    for absence in absences_on(on, operators=operators, account=assessor):
        field = "operators" if absence.operator_id in of else "assessor"
        wrong[field].append(f"{away_words(absence)} Choose another day, or call that off.")
    if any(wrong.values()):
        raise ValidationError({field: said for field, said in wrong.items() if said})


def _times(starts_at: time | None, minutes_each: int | None, how_many: int) -> list[time | None]:
    """When each begins: nobody has a time, or they follow one another."""
    if starts_at is None:
        return [None] * how_many
    if how_many > 1 and not minutes_each:
        raise ActionRefused("Say how long each takes, or leave the time empty.", field="minutes_each")
    first = datetime.combine(date.min, starts_at)
    moments = [first + timedelta(minutes=place * (minutes_each or 0)) for place in range(how_many)]
    if moments[-1].date() != first.date():
        raise ActionRefused("With that many, the last would begin after midnight.", field="minutes_each")
    return [moment.time() for moment in moments]


def _refuse_taken(
    assessor: Account, machine: Machine, operators: list[Operator], on: date, times: list[time | None]
) -> None:
    """Nobody twice on a machine on one day, and nobody at two things at the same time. One statement."""
    standing = Booking.objects.filter(on=on, called_off_at__isnull=True).select_related(
        "operator", "machine", "assessor"
    )
    of_operators = {
        operator.pk: (operator, starts) for operator, starts in zip(operators, times, strict=True)
    }
    wrong, taken = [], []
    for other in standing:
        operator, starts = of_operators.get(other.operator_id, (None, None))
        if operator and other.machine_id == machine.pk:
            wrong.append(f"{operator} is booked on {machine.fleet_number} for that day already.")
        elif operator and starts and other.starts_at == starts:
            wrong.append(f"{operator} is booked on {other.machine.fleet_number} at {starts:%H:%M} already.")
        elif other.assessor_id == assessor.pk and other.starts_at and other.starts_at in times:
            taken.append(
                f"{assessor.name} is booked at {other.starts_at:%H:%M} with {other.operator} already."
            )
    if wrong or taken:
        found = {"operators": wrong, "starts_at": taken}
        raise ValidationError({field: said for field, said in found.items() if said})


@transaction.atomic
def call_off_booking(*, by: Account, booking: Booking, reason: str) -> Booking:
    """Call a booking off, saying why; it is kept."""
    booking = Booking.objects.select_for_update(of=("self",)).select_related("site").get(pk=booking.pk)
    require(by, Right.BOOK, site=booking.site)
    if booking.called_off_at is not None:
        raise ActionRefused("This booking was called off already.")
    if booking.assessments.exclude(status=Assessment.Status.ABANDONED).exists():
        raise ActionRefused("The assessment was begun, so there is nothing to call off; abandon it instead.")
    if not reason.strip():
        raise ActionRefused("Say why it is called off.", field="reason")
    booking.called_off_at, booking.called_off_why = now(), reason.strip()[:300]
    booking.save()
    record(by=by, action="booking.called_off", rows=[booking], reason=booking.called_off_why)
    return booking
