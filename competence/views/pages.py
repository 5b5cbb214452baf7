"""What pages share: a site's clock, the row that an address names, and a form on a page of its own."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from competence.models import DailyCheck, Operator, Refusal, Site, Ticket
from competence.permissions import Right, require


@contextmanager
def clock_of(site: Site) -> Iterator[ZoneInfo]:
    """Inside, moments are read and shown on the clock of ``site``."""
    zone = ZoneInfo(site.zone)
    with timezone.override(zone):
        yield zone


def operator_or_404(request: HttpRequest, number: str, right: Right) -> Operator:
    """The operator, where the account holds ``right`` at their home site."""
    operator = get_object_or_404(Operator.objects.with_state(), number=number)
    require(request.user, right, site=operator.site)
    return operator


def ticket_or_404(request: HttpRequest, number: str, right: Right) -> Ticket:
    """The ticket, where the account holds ``right`` at its operator's home site."""
    tickets = Ticket.objects.select_related("category", "operator__state__site", "operator__state__employer")
    ticket = get_object_or_404(tickets, number=number)
    require(request.user, right, site=ticket.operator.site)
    return ticket


def require_sight(request: HttpRequest, kept: DailyCheck | Refusal) -> bool:
    """A check or a refusal is for the operator whose own it is, and for staff at its site; whether it is the
    account's own."""
    own = request.user.operator_id
    is_own = own is not None and kept.operator_id == own
    if not is_own:
        require(request.user, Right.SEE_CHECKS, site=kept.site)
    return is_own


def form_page(request: HttpRequest, form: forms.Form, **words: Any) -> HttpResponse:
    """A page that asks for one thing. ``words``: title, overline, lead, submit, back_url, back_label and, if
    wanted, consequence (what it does, before it is done), is_stop, aside (a template beside the form)."""
    return render(request, "competence/form_page.html", {"form": form, **words})
