"""Sittings as records: the result with its reasons, the review, the list for staff, more attempts."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from assessments.actions.sittings import allow_more_attempts, finish_if_over
from assessments.forms.sittings import MoreAttemptsForm
from assessments.models import Sitting
from assessments.queries.papers import paper_on
from assessments.queries.recall import RefresherDue, refresher_due
from assessments.queries.sittings import (
    OwnSittings,
    next_attempt_of,
    own_sittings,
    result_of,
    sheet_of,
    sittings_asked,
    sittings_to_show,
    today_of,
)
from assessments.rules.paper_words import attempt_words, paper_words, refresher_words
from assessments.views.sitting_cards import reviews_of, topic_rows
from competence.actions.clock import now
from competence.models import Category
from competence.permissions import Right, may, may_about, require, sites_with
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.front import Part
from competence.views.lists import category_choice, choice, paged, site_choice, typed
from competence.views.pages import form_page, operator_or_404

Status = Sitting.Status


def closed_if_over(request: HttpRequest, sitting: Sitting) -> Sitting:
    """The sitting, finished on the way where its time is up."""
    if sitting.status == Status.OPEN and sitting.ends_at is not None and sitting.ends_at < now():
        # Read again in any case: somebody else may have come by first.
        finish_if_over(by=request.user, sitting_id=sitting.pk)
        return sittings_to_show().get(pk=sitting.pk)
    return sitting


@never_cache
@require_GET
def sitting_record(request: HttpRequest, sitting_id: uuid.UUID) -> HttpResponse:
    """The result and the review: for its sitter, and for staff who see sittings at their home site."""
    sitting = get_object_or_404(sittings_to_show(), pk=sitting_id)
    is_own = request.user.operator_id is not None and request.user.operator_id == sitting.operator_id
    if not is_own:
        require(request.user, Right.SEE_SITTINGS, site=sitting.operator.site)
    sitting = closed_if_over(request, sitting)
    if sitting.status == Status.OPEN:
        if is_own:
            return redirect("sitting", sitting.pk)
        return render(request, "assessments/sittings/still_open.html", {"sitting": sitting})
    sheet, result = sheet_of(sitting), result_of(sitting)
    names = {question.topic.code: question.topic.name for question in sheet.questions}
    return render(
        request,
        "assessments/sittings/record.html",
        {
            "sitting": sitting,
            "sheet": sheet,
            "words": paper_words(result, names) if sitting.paper_id else refresher_words(result),
            "topics": topic_rows(sheet, sitting.outcome["topics"]),
            "cards": reviews_of(sheet),
            "is_own": is_own,
            "late": sum(len(question.late) for question in sheet.questions),
            **(_coming(request, sitting, is_own) if sitting.paper_id else {}),
        },
    )


def _coming(request: HttpRequest, sitting: Sitting, is_own: bool) -> dict[str, object]:
    """What happens next with a paper, and whether this account may allow more attempts. Three statements."""
    operator = sitting.operator
    today = today_of(operator, now())
    paper = paper_on(sitting.category, today)
    if paper is None:
        return {}
    coming = next_attempt_of(operator, paper, today)
    day = long_date(coming.on) if coming.on else ""
    return {
        "attempts": attempt_words(coming, today, day, is_own=is_own),
        "may_sit_now": coming.on is not None and coming.on <= today,
        "may_allow": coming.on is None and may_about(request.user, Right.ALLOW_ATTEMPTS, operator),
    }


@asks(Right.SEE_SITTINGS)
@require_GET
def sitting_list(request: HttpRequest) -> HttpResponse:
    site_ids = sites_with(request.user, Right.SEE_SITTINGS)
    words, site, category, kind = (typed(request, name) for name in ("q", "site", "category", "kind"))
    found = sittings_asked(site_ids, words=words, site=site, category=category, kind=kind)
    page, query = paged(request, found)
    return render(
        request,
        "assessments/sittings/list.html",
        {
            "page": page,
            "query": query,
            "q": words,
            "selects": [
                site_choice(site_ids, site),
                category_choice("Category", category),
                choice("kind", "Kind", Sitting.Kind.choices, kind, every="Both kinds"),
            ],
            "is_filtered": bool(words or site or category or kind),
        },
    )


@asks(Right.ALLOW_ATTEMPTS)
def more_attempts(request: HttpRequest, number: str, code: str) -> HttpResponse:
    """Let somebody who used up their attempts begin them anew."""
    operator = operator_or_404(request, number, Right.ALLOW_ATTEMPTS)
    category = get_object_or_404(Category, code=code)
    latest = (
        Sitting.objects.filter(operator=operator, category=category, status=Status.FINISHED)
        .order_by("-finished_at")
        .first()
    )
    back = reverse("sitting-record", args=[latest.pk]) if latest else reverse("sitting-list")
    form = MoreAttemptsForm(request.POST or None)
    if form.is_valid() and attempt(
        form,
        allow_more_attempts,
        by=request.user,
        operator=operator,
        category=category,
        reason=form.cleaned_data["reason"],
    ):
        messages.success(request, f"{operator.name} may sit the {category.name} paper again.")
        return redirect(back)
    return form_page(
        request,
        form,
        title="Allow more attempts",
        overline=f"{operator}, {category.name} paper",
        lead="Every attempt was used. Allow more once you have gone through the explanations together.",
        consequence="The attempts are counted anew from now on; the earlier sittings stay on the record.",
        submit="Allow more attempts",
        back_url=back,
        back_label="the last sitting" if latest else "the sittings",
    )


@dataclass(frozen=True)
class OwnStart:
    """What there is to sit, and when the next refresher falls due where a standard asks for them."""

    own: OwnSittings
    due: RefresherDue | None

    @property
    def is_refresher_asked(self) -> bool:
        return self.due is not None and self.due.is_near and self.own.open_one is None

    @property
    def has_something(self) -> bool:
        return bool(self.own.open_one or self.own.to_sit or self.is_refresher_asked)


def own_parts(request: HttpRequest) -> Iterable[Part]:
    """What there is to sit, on the start page of an operator."""
    account = request.user
    if account.operator is None or not may(account, Right.SIT):
        return
    start = OwnStart(own_sittings(account.operator, now()), refresher_due(account.operator, now()))
    if start.has_something:
        yield Part("assessments/sittings/home_operator.html", start, is_for_phone=True)


urlpatterns: list[URLPattern] = [
    path("sittings/", sitting_list, name="sitting-list"),
    path("sittings/<uuid:sitting_id>/record/", sitting_record, name="sitting-record"),
    path("operators/<str:number>/papers/<slug:code>/more-attempts/", more_attempts, name="more-attempts"),
]
