"""Who is away: a site's month, entering several at once, calling off."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET, require_POST

from competence.actions.absences import call_off_absence, record_absence, remarks_on, require_absence_of
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.forms.absences import KINDS, AbsenceForm
from competence.models import Absence, Account, Operator, Site
from competence.permissions import Right, require, sites_with
from competence.queries.absences import absences_at
from competence.queries.sites import sites_for
from competence.queries.ticket_lists import today_at
from competence.rules.dates import add_months, days_in_month
from competence.views.doing import asks, attempt
from competence.views.lists import choice, typed

# As far as anybody looks ahead, and a little back.
MONTHS_BACK, MONTHS_AHEAD = 2, 12


@dataclass(frozen=True)
class Cell:
    on: date
    is_away: bool
    is_today: bool

    @property
    def is_weekend(self) -> bool:
        return self.on.weekday() > 4


@dataclass(frozen=True)
class Row:
    """One person's month."""

    person: Operator | Account
    number: str
    absences: list[Absence]
    cells: list[Cell]


def _site_asked(request: HttpRequest) -> tuple[list[Site], Site | None]:
    sites = list(sites_for(sites_with(request.user, Right.BOOK)))
    asked = typed(request, "site")
    return sites, next((one for one in sites if one.code == asked), sites[0] if sites else None)


@require_GET
@asks(Right.BOOK)
def absence_list(request: HttpRequest) -> HttpResponse:
    """One site's month: who is away on which days."""
    sites, site = _site_asked(request)
    today = today_at(site, now()) if site else now().date()
    months = [add_months(today.replace(day=1), n) for n in range(-MONTHS_BACK, MONTHS_AHEAD + 1)]
    month = next((one for one in months if f"{one:%Y-%m}" == typed(request, "month")), today.replace(day=1))
    last = month.replace(day=days_in_month(month.year, month.month))
    found = absences_at(site, month, last) if site else []
    return render(
        request,
        "competence/absences/list.html",
        {
            "site": site,
            "month": month,
            "rows": _rows(found, month, last, today),
            "selects": [
                choice("site", "Site", [(one.code, one.name) for one in sites], site.code if site else ""),
                choice(
                    "month", "Month", [(f"{one:%Y-%m}", f"{one:%B %Y}") for one in months], f"{month:%Y-%m}"
                ),
            ],
        },
    )


def _rows(found: Sequence[Absence], first: date, last: date, today: date) -> list[Row]:
    """By name; a person with several absences has one row."""
    of: dict[tuple[str, int], list[Absence]] = {}
    for one in found:
        of.setdefault(
            ("operator", one.operator_id) if one.operator_id else ("account", one.account_id), []
        ).append(one)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    rows = []
    for absences in of.values():
        person = absences[0].person
        cells = [
            Cell(day, any(one.first_day <= day <= one.last_day for one in absences), day == today)
            for day in days
        ]
        rows.append(Row(person, getattr(person, "number", ""), absences, cells))
    return sorted(rows, key=lambda row: (row.person.name, row.number))


@asks(Right.BOOK)
def absence_new(request: HttpRequest) -> HttpResponse:
    """The same days for several people of one site."""
    sites, site = _site_asked(request)
    if site is None:
        return redirect("absence-list")
    require(request.user, Right.BOOK, site=site)
    form = AbsenceForm(request.POST or None, site=site, initial=_ticked(request, site))
    if form.is_valid() and (made := attempt(form, record_absence, by=request.user, **form.asked())):
        messages.success(request, f"{len(made)} {'person is' if len(made) == 1 else 'people are'} away then.")
        for sentence in remarks_on(made):
            messages.warning(request, sentence)
        month = f"{form.cleaned_data['first_day']:%Y-%m}"
        return redirect(f"{reverse('absence-list')}?site={site.code}&month={month}")
    context: dict[str, Any] = {
        "form": form,
        "site": site,
        "kinds": KINDS,
        "selects": [choice("site", "Site", [(one.code, one.name) for one in sites], site.code)],
    }
    return render(request, "competence/absences/new.html", context)


def _ticked(request: HttpRequest, site: Site) -> dict[str, Any]:
    number = typed(request, "operator")
    return {
        "operators": list(Operator.objects.filter(number=number, state__site=site)) if number else [],
        "kind": "leave",
    }


@require_POST
@asks(Right.BOOK)
def absence_call_off(request: HttpRequest, pk: int) -> HttpResponse:
    absence = get_object_or_404(Absence.objects.select_related("operator__state__site", "account"), pk=pk)
    require_absence_of(request.user, absence)
    try:
        call_off_absence(by=request.user, absence=absence)
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
    else:
        messages.success(request, f"{absence.person.name} is there after all, as far as the register knows.")
    if absence.operator is not None:
        return redirect("operator", absence.operator.number)
    return redirect("absence-list")


urlpatterns: list[URLPattern] = [
    path("absences/", absence_list, name="absence-list"),
    path("absences/new/", absence_new, name="absence-new"),
    path("absences/<int:pk>/call-off/", absence_call_off, name="absence-call-off"),
]
