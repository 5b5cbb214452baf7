"""Tickets with the events behind them, and assessors' appointments."""

from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import factory
from django.utils import timezone

from competence.models import Appointment, Machine, Operator, StandardVersion, Ticket, TicketEvent
from competence.rules.dates import first_moment

from .base import RowFactory, at_ago, day_ago
from .people import OperatorFactory
from .plant import CategoryFactory
from .standards import EvidenceFactory


class TicketFactory(RowFactory):
    """A full ticket 100 days into three years, with its issue behind it.

    ``is_suspended=True`` or ``is_withdrawn=True`` add that event too. ``issued=False`` leaves the chain to
    the test; the columns then state what the test's events should fold to.
    """

    class Meta:
        model = Ticket

    number = factory.Sequence(lambda n: f"T{n:05}")
    operator = factory.SubFactory(OperatorFactory)
    category = factory.SubFactory(CategoryFactory)
    level = "full"
    first_day = day_ago(100)
    last_day = factory.LazyAttribute(lambda row: row.first_day + timedelta(days=1095))
    since = factory.LazyAttribute(lambda row: _issue_moment(row.operator, row.first_day))

    @factory.post_generation
    def issued(ticket: Ticket, create: bool, extracted: Any, **_: Any) -> None:
        if not create or extracted is False:
            return
        TicketEventFactory(ticket=ticket, effective_at=ticket.since)
        for kind, happened in (("suspended", ticket.is_suspended), ("withdrawn", ticket.is_withdrawn)):
            if happened:
                event = TicketEventFactory(ticket=ticket, kind=kind)
                ticket.since = event.effective_at
        ticket.save()


def _issue_moment(operator: Operator, first_day: date) -> datetime:
    zone = ZoneInfo(operator.site.zone)
    return min(first_moment(first_day, zone), timezone.now())


class TicketEventFactory(RowFactory):
    """The next event of a chain, now; an issue repeats the ticket's columns. The columns are not changed."""

    class Meta:
        model = TicketEvent

    ticket = factory.SubFactory(TicketFactory)
    sequence = factory.LazyAttribute(lambda row: row.ticket.events.count() + 1)
    kind = TicketEvent.Kind.ISSUED
    effective_at = at_ago(0)
    recorded_at = factory.SelfAttribute("effective_at")
    reason = "As the standard asks."

    @classmethod
    def _adjust_kwargs(cls, **fields: Any) -> dict[str, Any]:
        if fields["kind"] == TicketEvent.Kind.ISSUED:
            ticket = fields["ticket"]
            for part in ("level", "first_day", "last_day", "conditions"):
                fields.setdefault(part, getattr(ticket, part))
        return fields


class AppointmentFactory(RowFactory):
    class Meta:
        model = Appointment

    account = factory.SubFactory("tests.factories.AccountFactory", roles=["trainer"])
    category = factory.SubFactory(CategoryFactory)
    first_day = day_ago(200)
    last_day = factory.LazyAttribute(lambda row: row.first_day + timedelta(days=730))
    duties = "Assesses operators at the machine and records what was seen."
    recorded_at = at_ago(200)


def authorised_operator(machine: Machine, **ticket: Any) -> Operator:
    """Somebody whom the gate lets take ``machine`` out: a ticket for its category (fields by keyword, such
    as ``level="trainee"``) and evidence for each requirement of its standard."""
    state = machine.state
    operator = ticket.pop("operator", None) or OperatorFactory(site=state.site)
    held = TicketFactory(operator=operator, category=state.category, **ticket)
    versions = StandardVersion.objects.filter(category=state.category, in_force_from__lte=timezone.now())
    standard = versions.order_by("-in_force_from").first()
    for requirement in standard.requirements.order_by("pk") if standard else ():
        about: dict[str, Any] = {"hours": requirement.hours}
        if requirement.kind == "induction":
            about["site"] = state.site
        elif requirement.kind == "familiarisation":
            about["machine_model"] = state.make_and_model
        elif requirement.kind in ("practical", "paper"):
            # What the ticket was issued on; a newer one would be ground for its renewal.
            about |= {"category": state.category, "occurred_on": held.first_day}
        EvidenceFactory(operator=operator, kind=requirement.kind, **about)
    return operator
