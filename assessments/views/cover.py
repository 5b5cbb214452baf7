"""What runs short, and when: the cover of each site, and of one category with what might be done about it."""

from datetime import date
from zoneinfo import ZoneInfo

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET

from assessments.forms.cover import WhatIfForm
from assessments.queries.cover import Forecast, WhatIf, site_forecasts
from assessments.views.cover_chart import chart_of
from competence.models import Site
from competence.permissions import Right, may, require, sites_with
from competence.queries.sites import sites_for
from competence.rules.dates import day_at
from competence.views.doing import asks
from competence.views.lists import choice, typed
from competence.views.reading import reads_from_replica

# A year and a half is as far as anybody plans; half a year fits a phone.
SPANS = ((92, "3 months"), (183, "6 months"), (365, "1 year"), (548, "18 months"))
USUAL_DAYS = 183


def _days_asked(request: HttpRequest) -> int:
    asked = typed(request, "days")
    return int(asked) if asked in {str(days) for days, _ in SPANS} else USUAL_DAYS


def _by_urgency(forecast: Forecast) -> tuple[bool, date, float, str]:
    """What is short first comes first; what nobody set a minimum for comes last."""
    short_on = forecast.first_short or date.max
    return (not forecast.minimum, short_on, -float(forecast.short.max()), forecast.category.name)


@require_GET
@asks(Right.SEE_RECORDS)
@reads_from_replica
def cover_list(request: HttpRequest) -> HttpResponse:
    """Every category of one site, the one that is short soonest first."""
    sites = list(sites_for(sites_with(request.user, Right.SEE_RECORDS)))
    asked, days = typed(request, "site"), _days_asked(request)
    site = next((one for one in sites if one.code == asked), sites[0] if sites else None)
    forecasts = site_forecasts(site, moment=timezone.now(), days=days) if site else []
    selects = [
        choice("site", "Site", [(one.code, one.name) for one in sites], site.code if site else ""),
        choice("days", "Look ahead", SPANS, str(days)),
    ]
    return render(
        request,
        "assessments/cover/list.html",
        {
            "site": site,
            "days": days,
            "span": dict(SPANS)[days],
            "selects": selects,
            "forecasts": [
                {"forecast": one, "chart": chart_of(one)} for one in sorted(forecasts, key=_by_urgency)
            ],
        },
    )


@require_GET
@asks(Right.SEE_RECORDS)
@reads_from_replica
def cover(request: HttpRequest, site: str, category: str) -> HttpResponse:
    """One category at one site: the chart, the people, and what if."""
    here = get_object_or_404(Site, code=site)
    require(request.user, Right.SEE_RECORDS, site=here)
    days, moment = _days_asked(request), timezone.now()
    today = day_at(moment, ZoneInfo(here.zone))
    asks_what_if = any(request.GET.get(name) for name in WhatIfForm.base_fields)
    form = WhatIfForm(request.GET if asks_what_if else None, account=request.user, site=here, today=today)
    what_if = form.what_if() if asks_what_if and form.is_valid() else WhatIf()
    found = _of_category(site_forecasts(here, moment=moment, days=days), category)
    changed = found
    if what_if != WhatIf():
        changed = _of_category(site_forecasts(here, moment=moment, days=days, what_if=what_if), category)
    return render(
        request,
        "assessments/cover/category.html",
        {
            "forecast": changed,
            "before": found if changed is not found else None,
            "chart": chart_of(changed),
            "days": days,
            "span": dict(SPANS)[days],
            "spans": [choice("days", "Look ahead", SPANS, str(days))],
            "form": form,
            "may_book": may(request.user, Right.BOOK, site=here),
        },
    )


def _of_category(forecasts: list[Forecast], category: str) -> Forecast:
    found = next((one for one in forecasts if one.category.code == category), None)
    if found is None:
        raise Http404("The site has no machine of that category, and needs nobody for it.")
    return found


urlpatterns: list[URLPattern] = [
    path("cover/", cover_list, name="cover-list"),
    path("cover/<str:site>/<slug:category>/", cover, name="cover"),
]
