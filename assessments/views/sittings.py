"""Sittings on a phone: begin, answer, finish; and the way back in after a lost signal or session."""

import uuid
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods

from assessments.actions.sittings import (
    answer_question,
    finish_sitting,
    start_paper,
    start_refresher,
)
from assessments.forms.sittings import GivenAnswer, StartForm, posted_answer, sent_answer
from assessments.models import Sitting
from assessments.queries.recall import knowledge_of, refresher_due
from assessments.queries.sittings import SittingSheet, own_sittings, sheet_of, sittings_to_show
from assessments.rules.paper_words import attempt_words
from assessments.views import sitting_records
from assessments.views.offline import kept_on_phone
from assessments.views.sitting_cards import card_of, cards_of
from assessments.views.sitting_records import closed_if_over
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.models import Operator
from competence.permissions import NotAllowed, Right
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.lists import whole_number

Status = Sitting.Status


def own_operator(request: HttpRequest) -> Operator:
    if request.user.operator is None:
        raise NotAllowed("This account is not an operator's, so it sits no papers.")
    return request.user.operator


def own_sitting(request: HttpRequest, sitting_id: uuid.UUID) -> Sitting:
    """The sitting, for whom it was drawn; one whose time is up is finished on the way."""
    sitting = get_object_or_404(sittings_to_show(), pk=sitting_id)
    if request.user.operator_id is None or sitting.operator_id != request.user.operator_id:
        raise NotAllowed("Only the person for whom a sitting was drawn answers it.")
    return closed_if_over(request, sitting)


@never_cache
@asks(Right.SIT)
@require_http_methods(["GET", "POST"])
def start(request: HttpRequest) -> HttpResponse:
    """Every paper that there is to sit; with ``?category=``, one paper and the button that begins it."""
    operator = own_operator(request)
    own = own_sittings(operator, now())
    if own.open_one is not None and closed_if_over(request, own.open_one).status == Status.FINISHED:
        own = own_sittings(operator, now())
    asked = request.GET.get("category")
    if asked is None:
        return render(
            request, "assessments/sittings/papers.html", {"own": own, "due": refresher_due(operator, now())}
        )
    offer = next((offer for offer in own.offers if offer.category.code == asked), None)
    if offer is None:
        raise Http404("No paper is in force for that category.")
    form = StartForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        made = attempt(
            form,
            start_paper,
            by=request.user,
            sitting_id=form.cleaned_data["sitting_id"],
            category=offer.category,
        )
        if made is not None:
            return redirect("sitting", made.pk)
    day = long_date(offer.next.on) if offer.next.on else ""
    return render(
        request,
        "assessments/sittings/start.html",
        {
            "offer": offer,
            "open_one": own.open_one,
            "form": form,
            "attempts": attempt_words(offer.next, offer.today, day),
            "new_id": uuid.uuid4(),
        },
    )


@never_cache
@asks(Right.SIT)
@require_http_methods(["GET", "POST"])
def refresher_start(request: HttpRequest) -> HttpResponse:
    """What a refresher is, and the button that begins it."""
    operator = own_operator(request)
    form = StartForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        made = attempt(form, start_refresher, by=request.user, sitting_id=form.cleaned_data["sitting_id"])
        if made is not None:
            return redirect("sitting", made.pk)
    open_one = operator.sittings.filter(status=Status.OPEN).select_related("category").first()
    return render(
        request,
        "assessments/sittings/refresher.html",
        {"form": form, "open_one": open_one, "new_id": uuid.uuid4()},
    )


@never_cache
@asks(Right.SIT)
@require_GET
def my_knowledge(request: HttpRequest) -> HttpResponse:
    """What of the operator's topics is fading, and what a few questions would freshen."""
    knowledge = knowledge_of(own_operator(request), now())
    return render(request, "assessments/sittings/my_knowledge.html", {"knowledge": knowledge})


@never_cache
@asks(Right.SIT)
@require_GET
def sitting(request: HttpRequest, sitting_id: uuid.UUID) -> HttpResponse:
    """One question at a time; ``?q=4`` shows the fourth, else the first that is not answered."""
    own = own_sitting(request, sitting_id)
    if own.status == Status.FINISHED:
        return redirect("sitting-record", own.pk)
    sheet = sheet_of(own)
    return kept_on_phone(_page(request, sheet, _current(sheet, request.GET.get("q", ""))))


@never_cache
@asks(Right.SIT)
@require_GET
def sitting_question(request: HttpRequest, sitting_id: uuid.UUID, position: int) -> HttpResponse:
    """The way to one question, for links from elsewhere."""
    own = own_sitting(request, sitting_id)
    return redirect(f"{reverse('sitting', args=[own.pk])}?q={position}")


def _current(sheet: SittingSheet, asked: str) -> int:
    positions = [question.position for question in sheet.questions]
    position = whole_number(asked)
    if position in positions:
        return position
    return sheet.unanswered[0].position if sheet.unanswered else positions[-1]


def _page(request: HttpRequest, sheet: SittingSheet, current: int, **wrong: str) -> HttpResponse:
    cards = cards_of(sheet)
    if wrong:
        cards[current - 1] = card_of(sheet.questions[current - 1], **wrong)
    return render(
        request,
        "assessments/sittings/sitting.html",
        {
            "sitting": sheet.sitting,
            "sheet": sheet,
            "cards": cards,
            "current": current,
            "now": now(),
            "batch": uuid.uuid4(),
        },
        status=422 if wrong else 200,
    )


@never_cache
@asks(Right.SIT)
@require_http_methods(["GET", "POST"])
def sitting_answer(request: HttpRequest, sitting_id: uuid.UUID) -> HttpResponse:
    """An answer from the page's script (JSON) or from a question's own form; asked, what stands.

    JSON: 200 kept; 400 no answer; 409 not kept, and why; 422 not understood, and what to give instead.
    """
    if request.content_type == "application/json" or request.method == "GET":
        return _answer_sent(request, sitting_id)
    try:
        posted = posted_answer(request.POST)
    except ValueError:
        raise Http404("This page sent no answer. Nothing was changed.") from None
    try:
        kept = _keep(request, sitting_id, posted)
    except ActionRefused as refused:
        if refused.field != "given":
            raise Http404(refused.sentence) from None
        sheet = sheet_of(own_sitting(request, sitting_id))
        return _page(
            request, sheet, posted.position, error=refused.sentence, typed=posted.given.get("number", "")
        )
    if kept.sentence:
        messages.warning(request, kept.sentence)
    sheet = sheet_of(own_sitting(request, sitting_id))
    if sheet.sitting.status == Status.FINISHED:
        return redirect("sitting-record", sitting_id)
    if posted.position >= len(sheet.questions):
        return redirect("sitting-finish", sitting_id)
    return redirect(f"{reverse('sitting', args=[sitting_id])}?q={posted.position + 1}")


def _keep(request: HttpRequest, sitting_id: uuid.UUID, one: GivenAnswer) -> Any:
    get_object_or_404(Sitting, pk=sitting_id)
    return answer_question(
        by=request.user,
        sitting_id=sitting_id,
        position=one.position,
        given=one.given,
        sent_as=one.sent_as,
        seconds=one.seconds,
    )


def _answer_sent(request: HttpRequest, sitting_id: uuid.UUID) -> JsonResponse:
    sentence = ""
    if request.method == "POST":
        try:
            sentence = _keep(request, sitting_id, sent_answer(request.body)).sentence
        except ActionRefused as refused:
            status = 422 if refused.field == "given" else 409
            return JsonResponse({"sentence": refused.sentence}, status=status)
        except ValueError:
            return JsonResponse({"sentence": "This page sent no answer. Nothing was changed."}, status=400)
    sheet = sheet_of(own_sitting(request, sitting_id))
    return JsonResponse({"sentence": sentence, **_standing(sheet)})


def _standing(sheet: SittingSheet) -> dict[str, Any]:
    """What the page's script lays its own answers over."""
    return {
        "status": sheet.sitting.status,
        "now": now().isoformat(),
        "count": len(sheet.questions),
        "answers": {
            str(question.position): {
                "given": question.counted.given,
                "sent_as": str(question.counted.sent_as),
            }
            for question in sheet.questions
            if question.counted is not None
        },
    }


@never_cache
@asks(Right.SIT)
@require_http_methods(["GET", "POST"])
def sitting_finish(request: HttpRequest, sitting_id: uuid.UUID) -> HttpResponse:
    """What is not answered yet, and the press after which the answers stand."""
    own = own_sitting(request, sitting_id)
    if own.status == Status.FINISHED:
        return redirect("sitting-record", own.pk)
    form = forms.Form(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        made = attempt(form, finish_sitting, by=request.user, sitting_id=own.pk)
        if made is not None:
            return redirect("sitting-record", made.pk)
    return render(
        request,
        "assessments/sittings/finish.html",
        {"sitting": own, "sheet": sheet_of(own), "form": form, "now": now()},
    )


urlpatterns: list[URLPattern] = [
    path("papers/", start, name="sitting-start"),
    path("refreshers/", refresher_start, name="refresher-start"),
    path("refreshers/knowledge/", my_knowledge, name="my-knowledge"),
    path("sittings/<uuid:sitting_id>/", sitting, name="sitting"),
    path("sittings/<uuid:sitting_id>/questions/<int:position>/", sitting_question, name="sitting-question"),
    path("sittings/<uuid:sitting_id>/answers/", sitting_answer, name="sitting-answer"),
    path("sittings/<uuid:sitting_id>/finish/", sitting_finish, name="sitting-finish"),
    *sitting_records.urlpatterns,
]
