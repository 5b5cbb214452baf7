"""Entering days on which people are away, and calling them off."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import Absence, Account, Operator, Role, Site
from competence.permissions import Right, may, require
from competence.queries.absences import absences_between
from competence.rules.dates import day_at
from competence.rules.reasons import long_date

# Longer than a year away is somebody who is not active; and what is longer past than a year helps nobody.
LONGEST = FURTHEST_BACK = timedelta(days=366)
# What an app above this one says of days that were just entered, such as the bookings that stand on them.
ON_ABSENCE: list[Callable[[Sequence[Absence]], list[str]]] = []


@transaction.atomic
def record_absence(
    *,
    by: Account,
    operators: Sequence[Operator] = (),
    accounts: Sequence[Account] = (),
    first_day: date,
    last_day: date,
    kind: str,
    note: str = "",
) -> list[Absence]:
    """Enter the same days for several people, all or none. ``accounts``: of assessors; whoever operates too
    is entered as an operator, so that nobody is away twice."""
    own = [account.operator_id for account in accounts if account.operator_id]
    wanted = {operator.pk for operator in operators} | set(own)
    people = list(
        Operator.objects.select_for_update(of=("self",)).with_state().filter(pk__in=wanted).order_by("pk")
    )
    others = list(
        Account.objects.select_for_update(of=("self",))
        .filter(pk__in=[account.pk for account in accounts if not account.operator_id])
        .order_by("pk")
    )
    if not people and not others:
        raise ActionRefused("Say who is away.", field="operators")
    for operator in people:
        require(by, Right.BOOK, site=operator.site)
    for account in others:
        require_booking_of(by, account)
    refuse_erased(*people)
    _refuse_days(first_day, last_day, people[0].site if people else None)
    if not kind.strip():
        raise ActionRefused("Say in a word what it is, such as leave or course.", field="kind")
    _refuse_away_already(people, others, first_day, last_day)
    common = {
        "first_day": first_day,
        "last_day": last_day,
        "kind": kind.strip()[:40],
        "note": note.strip()[:200],
        "entered_by": by,
        "entered_at": now(),
    }
    made = Absence.objects.bulk_create(
        [Absence(operator=one, **common) for one in people]
        + [Absence(account=one, **common) for one in others]
    )
    record(by=by, action="absence.entered", rows=made)
    return made


def remarks_on(absences: Sequence[Absence]) -> list[str]:
    """What else should be known of these days."""
    return [sentence for remark in ON_ABSENCE for sentence in remark(absences)]


@transaction.atomic
def call_off_absence(*, by: Account, absence: Absence) -> Absence:
    """The person is there after all; what was entered is kept."""
    absence = Absence.objects.select_for_update(of=("self",)).get(pk=absence.pk)
    require_absence_of(by, absence)
    if absence.called_off_at is not None:
        raise ActionRefused("It was called off already.")
    absence.called_off_at, absence.called_off_by = now(), by
    absence.save()
    record(by=by, action="absence.called_off", rows=[absence])
    return absence


def require_absence_of(by: Account, absence: Absence) -> None:
    """Raise ``NotAllowed`` unless the account books the person whose days these are."""
    if absence.operator is not None:
        require(by, Right.BOOK, site=absence.operator.site)
    else:
        require_booking_of(by, absence.account)


def require_booking_of(by: Account, account: Account) -> None:
    """An assessor belongs to every site that they are a trainer of, and is known to be away at each: who
    books at one of them may enter it. Raises ``NotAllowed``."""
    held = Role.objects.filter(account=account, name=Role.Name.TRAINER, ended_at__isnull=True)
    places = list(held.select_related("site").order_by("pk"))
    if any(may(by, Right.BOOK, site=role.site) for role in places):
        return
    require(by, Right.BOOK, site=places[0].site if places else None)
    if not places:
        raise ActionRefused(f"{account.name} is no trainer.", field="assessors")


def _refuse_days(first_day: date, last_day: date, site: Site | None) -> None:
    if last_day < first_day:
        raise ActionRefused("The last day is before the first day.", field="last_day")
    if last_day - first_day >= LONGEST:
        raise ActionRefused(
            "At most a year at once; whoever is gone for good is made not active.", field="last_day"
        )
    today = day_at(now(), ZoneInfo(site.zone if site else "UTC"))
    if last_day < today - FURTHEST_BACK:
        raise ActionRefused("That is more than a year ago.", field="last_day")


def _refuse_away_already(
    people: list[Operator], others: list[Account], first_day: date, last_day: date
) -> None:
    standing = absences_between(first_day, last_day).filter(Q(operator__in=people) | Q(account__in=others))
    wrong: dict[str, list[str]] = {"operators": [], "assessors": []}
    for one in standing.select_related("operator", "account").order_by("first_day", "pk"):
        field = "operators" if one.operator_id else "assessors"
        wrong[field].append(f"{away_words(one)} Call that off first, or choose other days.")
    if any(wrong.values()):
        raise ValidationError({field: said for field, said in wrong.items() if said})


def away_words(absence: Absence) -> str:
    """Who is away and when, in a sentence; not of what kind, which is for those who book them."""
    if absence.first_day == absence.last_day:
        return f"{absence.person.name} is away on {long_date(absence.first_day)}."
    return (
        f"{absence.person.name} is away from {long_date(absence.first_day)} to {long_date(absence.last_day)}."
    )
