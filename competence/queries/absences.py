"""Who is away, and when."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from django.db.models import Q, QuerySet

from competence.models import Absence, Account, Operator, Role, Site
from competence.rules.cover import Span


@dataclass(frozen=True)
class Away:
    """Days away, of operators by number and of accounts by key; whoever is both stands in both."""

    operators: Mapping[str, tuple[Span, ...]] = field(default_factory=dict)
    accounts: Mapping[int, tuple[Span, ...]] = field(default_factory=dict)


def absences_between(first: date, last: date) -> QuerySet[Absence]:
    """Those that stand and have a day from ``first`` to ``last``."""
    return Absence.objects.filter(called_off_at__isnull=True, first_day__lte=last, last_day__gte=first)


def away_between(first: date, last: date) -> Away:
    """One statement."""
    operators: dict[str, list[Span]] = defaultdict(list)
    accounts: dict[int, list[Span]] = defaultdict(list)
    rows = absences_between(first, last).values_list(
        "operator__number", "operator__account", "account", "first_day", "last_day"
    )
    for number, own_account, account, first_day, last_day in rows.order_by("first_day", "pk"):
        span = Span(first_day, last_day)
        if number:
            operators[number].append(span)
        if key := account or own_account:
            accounts[key].append(span)
    return Away(
        {number: tuple(spans) for number, spans in operators.items()},
        {key: tuple(spans) for key, spans in accounts.items()},
    )


def absences_on(day: date, *, operators: list[Operator], account: Account | None) -> list[Absence]:
    """The absences of these people on one day. One statement."""
    people = Q(operator__in=operators)
    if account is not None:
        people |= Q(account=account) | Q(operator__account=account)
    found = absences_between(day, day).filter(people).select_related("operator", "account")
    return list(found.order_by("first_day", "pk"))


def absences_at(site: Site, first: date, last: date) -> list[Absence]:
    """Of the people at home at a site, and of its trainers who operate nothing. One statement."""
    trainers = Role.objects.filter(name=Role.Name.TRAINER, ended_at__isnull=True).filter(
        Q(site=site) | Q(site__isnull=True)
    )
    found = absences_between(first, last).filter(
        Q(operator__state__site=site) | Q(account__in=trainers.values("account"))
    )
    return list(found.select_related("operator", "account").order_by("first_day", "pk"))


def absences_to_show(operator: Operator, today: date) -> list[Absence]:
    """An operator's from today on. One statement."""
    found = operator.absences.filter(called_off_at__isnull=True, last_day__gte=today)
    return list(found.select_related("entered_by").order_by("first_day", "pk"))


def people_at(site: Site) -> QuerySet[Operator]:
    """Those at work whose home is the site, by name."""
    found = Operator.objects.filter(state__site=site, state__is_active=True)
    return found.order_by("family_name", "given_name", "number")


def trainers_at(site: Site) -> QuerySet[Account]:
    """Trainers of the site who operate nothing: the others are among its people."""
    held = Role.objects.filter(name=Role.Name.TRAINER, ended_at__isnull=True)
    held = held.filter(Q(site=site) | Q(site__isnull=True))
    found = Account.objects.filter(is_active=True, operator__isnull=True, pk__in=held.values("account"))
    return found.order_by("last_name", "first_name", "username")
