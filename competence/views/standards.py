"""Standards: what each category asks of a person, version by version, and publishing the next."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET

from competence.actions.standards import publish_standard
from competence.forms.standards import StandardTermsForm, requirement_forms
from competence.models import Category, StandardVersion
from competence.permissions import Right, may_everywhere, require_everywhere
from competence.queries.standards import sheet_of_standard, standard_rows
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.lists import whole_number


def may_publish(request: HttpRequest) -> bool:
    """Standards and checklists hold at every site, so publishing takes the right at every site."""
    return may_everywhere(request.user, Right.KEEP_STANDARDS)


def version_asked(request: HttpRequest) -> int | None:
    """The version that the address asks to see; ``None`` for the one in force."""
    text = request.GET.get("version", "")
    if not text:
        return None
    number = whole_number(text, 5)
    if number is None:
        raise Http404("No such version.")
    return number


@require_GET
@asks(Right.SEE_STANDARDS)
def standard_list(request: HttpRequest) -> HttpResponse:
    rows = standard_rows(timezone.localdate())
    return render(request, "competence/standards/list.html", {"rows": rows})


@require_GET
@asks(Right.SEE_STANDARDS)
def standard(request: HttpRequest, category: str) -> HttpResponse:
    one = get_object_or_404(Category, code=category)
    number = version_asked(request)
    sheet = sheet_of_standard(one, timezone.localdate(), number)
    if number is not None and sheet.shown is None:
        raise Http404("No such version.")
    context = {"category": one, "sheet": sheet, "may_publish": may_publish(request)}
    return render(request, "competence/standards/standard.html", context)


@asks(Right.KEEP_STANDARDS)
def standard_new(request: HttpRequest, category: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_STANDARDS)
    one = get_object_or_404(Category, code=category)
    latest = one.standard_versions.order_by("-number").first()
    posted = request.POST if request.method == "POST" else None
    form = StandardTermsForm(posted, category=one, initial=_terms_of(latest))
    rows = requirement_forms(posted, latest)
    # Both are asked, so that one page of errors tells everything.
    is_whole = all([form.is_valid(), rows.is_valid()]) if posted is not None else False
    if is_whole:
        published = attempt(
            form, publish_standard, by=request.user, category=one, requirements=rows.lines, **form.terms
        )
        if published:
            starts = long_date(published.in_force_from)
            messages.success(request, f"Version {published.number} is published, in force from {starts}.")
            return redirect("standard", one.code)
    context = {"category": one, "latest": latest, "form": form, "rows": rows}
    return render(request, "competence/standards/new.html", context)


def _terms_of(latest: StandardVersion | None) -> dict[str, Any]:
    if latest is None:
        return {"months": 36, "period_end": StandardVersion.PeriodEnd.DAY_BEFORE, "pass_mark": 80}
    names = ("months", "period_end", "renewal_window_days", "lapse_limit_days", "issue_by_another")
    return {
        **{name: getattr(latest, name) for name in names},
        "pass_mark": f"{latest.pass_mark * 100:.1f}".removesuffix(".0"),
        "accepts": list(latest.accepts.values_list("pk", flat=True)),
    }


urlpatterns: list[URLPattern] = [
    path("standards/", standard_list, name="standard-list"),
    path("standards/<slug:category>/", standard, name="standard"),
    path("standards/<slug:category>/new-version/", standard_new, name="standard-new"),
]
