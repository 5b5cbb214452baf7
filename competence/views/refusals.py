"""Refusals: why somebody was stopped, what puts it right, and whom to ring."""

import uuid

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from competence.permissions import Right, sites_with
from competence.queries.gate_answers import facts_kept
from competence.queries.refusals import (
    RefusalsAsked,
    all_sentences,
    answers_in_draft,
    refusals_at,
    refusals_to_show,
    sheet_of_refusal,
)
from competence.views.doing import asks
from competence.views.lists import narrowing, paged
from competence.views.pages import require_sight


@require_GET
def refusal(request: HttpRequest, refusal_id: uuid.UUID) -> HttpResponse:
    """One refusal with every reason; for the operator who was stopped, and for staff at the site."""
    stopped = get_object_or_404(refusals_to_show(), pk=refusal_id)
    is_own = require_sight(request, stopped)
    return render(
        request,
        "competence/refusals/refusal.html",
        {
            "refusal": stopped,
            "sheet": sheet_of_refusal(stopped, is_own=is_own),
            "is_own": is_own,
            "kept": answers_in_draft(stopped) if is_own else None,
            # An operator on a phone reads what to do; staff judge what it rested on.
            "facts": () if is_own else facts_kept(stopped.verdict, stopped.at, stopped.site),
        },
    )


@asks(Right.SEE_CHECKS)
@require_GET
def refusal_list(request: HttpRequest) -> HttpResponse:
    """Refusals at the sites of this account."""
    narrowed = narrowing(request, Right.SEE_CHECKS)
    refusals = refusals_at(sites_with(request.user, Right.SEE_CHECKS), RefusalsAsked(**narrowed.asked))
    page, query = paged(request, refusals)
    return render(
        request,
        "competence/refusals/list.html",
        {
            "page": page,
            "rows": [(stopped, all_sentences(stopped)) for stopped in page.object_list],
            "query": query,
            "narrowed": narrowed,
        },
    )


urlpatterns: list[URLPattern] = [
    path("refusals/", refusal_list, name="refusal-list"),
    path("refusals/<uuid:refusal_id>/", refusal, name="refusal"),
]
