"""Accounts and appointments, as lists."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.db.models import Prefetch, Q, QuerySet

from competence.models import Account, Appointment, Role
from competence.queries.words import holding


def accounts_at(site_ids: frozenset[int] | None, words: str = "") -> QuerySet[Account]:
    """Accounts with a role or a home at these sites, and those with neither yet; ``None``: every account.
    ``words`` narrows them to names.

    Their roles held now come with them. Two statements.
    """
    held = Role.objects.filter(ended_at__isnull=True).select_related("site").order_by("name", "site__name")
    found = Account.objects.select_related("operator__state__site").prefetch_related(
        Prefetch("roles", held, to_attr="roles_now")
    )
    if site_ids is not None:
        here = Role.objects.filter(ended_at__isnull=True, site_id__in=site_ids)
        anywhere = Role.objects.filter(ended_at__isnull=True)
        found = found.filter(
            Q(pk__in=here.values("account"))
            | Q(operator__state__site_id__in=site_ids)
            | (Q(operator__isnull=True) & ~Q(pk__in=anywhere.values("account")))
        )
    found = holding(found, words, "username", "first_name", "last_name")
    return found.order_by("last_name", "first_name", "username")


@dataclass(frozen=True)
class AppointmentRow:
    """One appointment, and whether it is in force today. A later one of the same pair replaces it."""

    appointment: Appointment
    word: str
    tone: str


def appointment_rows(today: date) -> list[AppointmentRow]:
    """Every appointment, by trainer and category, newest first. One statement."""
    rows = Appointment.objects.select_related("account", "category", "recorded_by").order_by(
        "account__last_name", "account__first_name", "category__name", "-recorded_at", "-pk"
    )
    return list(_with_state(rows, today))


def _with_state(rows: Iterable[Appointment], today: date) -> Iterable[AppointmentRow]:
    seen: set[tuple[int, int]] = set()
    for row in rows:
        pair = (row.account_id, row.category_id)
        if pair in seen:
            yield AppointmentRow(row, "Replaced", "quiet")
        elif row.last_day < today:
            yield AppointmentRow(row, "Ended", "stop")
        elif row.first_day > today:
            yield AppointmentRow(row, "Not started", "note")
        else:
            yield AppointmentRow(row, "In force", "good")
        seen.add(pair)
