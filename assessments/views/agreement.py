"""How alike assessors mark: one walk-around that two marked, and every pair over all of theirs."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from assessments.models import Assessment, Tap
from assessments.queries.agreement import (
    Comparison,
    DoubleMarking,
    comparisons,
    double_markings,
    double_markings_at,
    points_differed,
)
from assessments.rules.agreement import Agreement, agreement_by_zone
from assessments.rules.agreement_words import (
    FEW_POINTS,
    caution,
    kappa_figure,
    kappa_range,
    kappa_sentence,
    percent_agreed,
    steps_words,
)
from assessments.rules.scoring import LEAST_FIRST
from competence.permissions import Right, require, sites_with
from competence.views.doing import asks
from competence.views.lists import category_choice, choice, paged, site_choice, typed

POINTS_SHOWN = 10
MARK_WORDS = {mark: Tap.Mark(mark).label for mark in LEAST_FIRST}
# What each of the three kappas asks, for somebody who never met one.
WAYS = (
    ("Every difference counts the same", "Cohen's kappa", "kappa"),
    ("A difference counts by its steps", "kappa, linear weights", "linear"),
    ("A wide difference counts most of all", "kappa, quadratic weights", "quadratic"),
)


@dataclass(frozen=True)
class Line:
    """How alike, in one row of a table."""

    name: str
    compared: int
    agreed: int
    percent: int | None
    kappa: str
    kappa_range: str
    quadratic: str
    quadratic_range: str
    caution: str
    detail: str = ""

    @classmethod
    def of(cls, name: str, found: Agreement, detail: str = "") -> "Line":
        quadratic = found.quadratic or found.kappa
        return cls(
            name,
            found.compared,
            found.agreed,
            percent_agreed(found),
            kappa_figure(found.kappa),
            kappa_range(found.kappa),
            kappa_figure(quadratic),
            kappa_range(quadratic),
            caution(found),
            detail,
        )


@require_GET
def one(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """One walk-around: who has still to finish, and once nobody has, how alike it was marked."""
    asked = get_object_or_404(Assessment.objects.select_related("site"), pk=assessment_id)
    first_id = asked.alongside_id or asked.pk
    double = double_markings(Assessment.objects.filter(pk=first_id))[0]
    if request.user.pk not in {account.pk for account in double.assessors}:
        require(request.user, Right.SEE_ASSESSMENTS, site=double.first.site)
    if first_id != asked.pk:
        return redirect("assessment-agreement", first_id)
    if not double.is_open:
        return render(request, "assessments/agreement/waiting.html", {"double": double})
    found = comparisons([double])
    return render(
        request,
        "assessments/agreement/walk_around.html",
        {"double": double, "found": [_compared(each) for each in found], "is_lone_pair": len(found) == 1},
    )


def _compared(found: Comparison) -> dict[str, Any]:
    whole = found.whole
    kappas = [(asks_what, called, getattr(whole, name)) for asks_what, called, name in WAYS]
    return {
        "first": found.first.name,
        "second": found.second.name,
        "percent": percent_agreed(whole),
        "agreed": whole.agreed,
        "compared": whole.compared,
        "left_out": len(whole.left_out),
        "caution": caution(whole),
        "kappas": [
            (what, called, kappa_figure(kappa), kappa_sentence(kappa)) for what, called, kappa in kappas
        ],
        "zones": [Line.of(zone, within) for zone, within in found.zones.items()],
        "columns": list(MARK_WORDS.values()),
        "table": [
            (MARK_WORDS[LEAST_FIRST[row]], [(cell, row == column) for column, cell in enumerate(cells)])
            for row, cells in enumerate(whole.table)
        ],
        "differences": _differences(whole),
    }


def _differences(whole: Agreement) -> list[dict[str, Any]]:
    """The points marked differently: the furthest apart first, of equals the critical ones."""
    found = sorted(whole.disagreements, key=lambda each: (-(each.steps or 0), not each.mark.key.is_critical))
    return [
        {
            "title": each.mark.title,
            "is_critical": each.mark.key.is_critical,
            "zone": each.mark.zone,
            "first": MARK_WORDS[each.mark.first],
            "second": MARK_WORDS[each.mark.second],
            "steps": steps_words(each.steps),
        }
        for each in found
    ]


@require_GET
@asks(Right.SEE_ASSESSMENTS)
def listing(request: HttpRequest) -> HttpResponse:
    """Every pair of assessors at the account's sites, and the walk-arounds that they marked."""
    site_ids = sites_with(request.user, Right.SEE_ASSESSMENTS)
    site, category, pair = (typed(request, name) for name in ("site", "category", "pair"))
    doubles = double_markings_at(site_ids, site=site, category=category)
    every = comparisons(doubles)
    chosen = [each for each in every if each.pair == pair] or every
    marks = [mark for each in chosen for mark in each.marks]
    differed = points_differed(chosen)
    page, query = paged(request, doubles)
    return render(
        request,
        "assessments/agreement/list.html",
        {
            "pairs": [_pair_line(each) for each in chosen],
            "zones": [
                Line.of(zone, within) for zone, within in agreement_by_zone(marks, LEAST_FIRST).items()
            ],
            "points": differed[:POINTS_SHOWN],
            "points_left": len(differed) - len(differed[:POINTS_SHOWN]),
            "page": page,
            "query": query,
            "rows": [(each, _state(each)) for each in page],
            "few": FEW_POINTS,
            "is_filtered": bool(site or category or pair),
            "selects": [
                choice("pair", "Pair", [(each.pair, _names(each)) for each in every], pair, "Every pair"),
                site_choice(site_ids, site, "Site"),
                category_choice("Category", category),
            ],
        },
    )


def _names(found: Comparison) -> str:
    return f"{found.first.name} and {found.second.name}"


def _pair_line(found: Comparison) -> Line:
    walked = "1 walk-around" if found.walk_arounds == 1 else f"{found.walk_arounds} walk-arounds"
    return Line.of(_names(found), found.whole, walked)


def _state(double: DoubleMarking) -> dict[str, str]:
    if double.is_open:
        return {"word": "Can be compared", "tone": "good", "detail": ""}
    if not double.is_double:
        return {"word": "Nothing to compare", "tone": "quiet", "detail": "a marking was abandoned"}
    return {"word": "Blind", "tone": "note", "detail": f"{_listed(double.still_marking)} still to finish"}


def _listed(markings: Iterable[Assessment]) -> str:
    return ", ".join(each.assessor.name for each in markings)


urlpatterns: list[URLPattern] = [
    path("assessments/<uuid:assessment_id>/agreement/", one, name="assessment-agreement"),
    path("agreement/", listing, name="agreement-list"),
]
