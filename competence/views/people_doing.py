"""What the people rooms' doors share: a form page, a site's clock, and the way a list is turned."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.paginator import Page, Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from competence.models import Category, Operator, Site, Ticket
from competence.permissions import Right, require

PAGE_LENGTH = 50


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


def form_page(request: HttpRequest, form: forms.Form, **words: Any) -> HttpResponse:
    """A page that asks for one thing. ``words``: title, overline, lead, submit, back_url, back_label and, if
    wanted, consequence (what it does, before it is done), is_stop, aside (a template beside the form)."""
    return render(request, "competence/operators/form_page.html", {"form": form, **words})


def paged(request: HttpRequest, rows: Any) -> tuple[Page, str]:
    """The page asked for, and the filter as a query string without it."""
    query = request.GET.copy()
    query.pop("page", None)
    return Paginator(rows, PAGE_LENGTH).get_page(request.GET.get("page")), query.urlencode()


def site_choice(site_ids: frozenset[int] | None, selected: str) -> dict[str, Any]:
    sites = Site.objects.order_by("name").values_list("code", "name")
    if site_ids is not None:
        sites = sites.filter(pk__in=site_ids)
    return choice("site", "Home site", sites, selected, "Every site")


def category_choice(label: str, selected: str) -> dict[str, Any]:
    categories = Category.objects.order_by("name").values_list("code", "name")
    return choice("category", label, categories, selected, "Any category")


def choice(
    name: str, label: str, options: Iterable[Sequence[Any]], selected: str, every: str = ""
) -> dict[str, Any]:
    """One list of the filter bar; ``every`` is the option that narrows nothing."""
    pairs = ([("", every)] if every else []) + [(str(value), words) for value, words in options]
    return {
        "name": name,
        "label": label,
        "options": [{"value": v, "label": words, "is_selected": v == selected} for v, words in pairs],
    }
