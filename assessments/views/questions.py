"""The bank: finding questions, reading one as people see it, writing, reviewing and retiring."""

from dataclasses import fields
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from assessments.actions.drawing import shown_for
from assessments.actions.questions import (
    faults_in,
    retire_question,
    review_version,
    revise_question,
    write_question,
)
from assessments.forms.questions import (
    QuestionForm,
    RetireForm,
    ReviewForm,
    as_lines,
    choice_forms,
    initial_of,
)
from assessments.models import Question, QuestionVersion, Topic
from assessments.queries.questions import STATES, question_sheet, questions_found, waiting_count
from assessments.rules.pictures import KINDS, UnfitParameters
from assessments.rules.questions import Kind
from assessments.views.question_cards import asked_card, told_card
from competence.permissions import Right, may_everywhere, require_everywhere
from competence.views.doing import asks, attempt
from competence.views.lists import category_choice, choice, paged, typed, whole_number
from competence.views.standards import version_asked


def may_keep(request: HttpRequest) -> bool:
    """A bank belongs to no one site, so keeping it takes the right at every site."""
    return may_everywhere(request.user, Right.KEEP_QUESTIONS)


def variant_asked(request: HttpRequest) -> int:
    number = whole_number(request.GET.get("variant", "1"), 6)
    if number is None:
        raise Http404("No such variant.")
    return number


@require_GET
@asks(Right.SEE_QUESTIONS)
def question_list(request: HttpRequest) -> HttpResponse:
    asked = {name: typed(request, name) for name in ("topic", "kind", "category", "state")}
    words = typed(request, "q")
    page, query = paged(request, questions_found(words=words, **asked))
    topics = Topic.objects.order_by("name").values_list("code", "name")
    context = {
        "page": page,
        "query": query,
        "q": words,
        "waiting": waiting_count(),
        "is_filtered": bool(words or any(asked.values())),
        "selects": [
            choice("topic", "Topic", topics, asked["topic"], "Any topic"),
            choice("kind", "Kind", QuestionVersion.Kind.choices, asked["kind"], "Any kind"),
            category_choice("Asked of", asked["category"]),
            choice("state", "Where it stands", STATES, asked["state"], "In use or waiting"),
        ],
        "may_keep": may_keep(request),
    }
    return render(request, "assessments/questions/list.html", context)


@require_GET
@asks(Right.SEE_QUESTIONS)
def question(request: HttpRequest, code: str) -> HttpResponse:
    return _question_page(request, code, number=version_asked(request))


def _question_page(
    request: HttpRequest, code: str, *, number: int | None = None, **forms: Any
) -> HttpResponse:
    one = get_object_or_404(Question.objects.select_related("topic"), code=code)
    sheet = question_sheet(one, timezone.localdate(), number)
    if sheet is None:
        raise Http404("No such version.")
    variant = variant_asked(request)
    context = {
        "question": one,
        "sheet": sheet,
        "card": told_card(sheet.shown, variant),
        "variant": variant,
        "next_variant": variant + 1,
        "may_keep": may_keep(request),
        "is_author": sheet.latest.author_id == request.user.pk,
        "review_form": ReviewForm(),
        "retire_form": RetireForm(),
        **forms,
    }
    return render(request, "assessments/questions/question.html", context)


@require_GET
@asks(Right.SEE_QUESTIONS)
def question_preview(request: HttpRequest, code: str) -> HttpResponse:
    """A version as it is met on a phone; nothing that is answered here is kept."""
    one = get_object_or_404(Question.objects.select_related("topic"), code=code)
    sheet = question_sheet(one, timezone.localdate(), version_asked(request))
    if sheet is None:
        raise Http404("No such version.")
    variant = variant_asked(request)
    context = {
        "question": one,
        "version": sheet.shown,
        "card": asked_card(sheet.shown, variant),
        "told": told_card(sheet.shown, variant),
        "variant": variant,
        "next_variant": variant + 1,
    }
    return render(request, "assessments/questions/preview.html", context)


@asks(Right.KEEP_QUESTIONS)
def question_new(request: HttpRequest) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    return _write(request, None, None)


@asks(Right.KEEP_QUESTIONS)
def question_edit(request: HttpRequest, code: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    one = get_object_or_404(Question.objects.select_related("topic"), code=code)
    if one.retired_at is not None:
        messages.error(request, "This question is retired. Write a new one instead.")
        return redirect("question", one.code)
    return _write(request, one, one.versions.order_by("-number").first())


def _write(request: HttpRequest, one: Question | None, latest: QuestionVersion | None) -> HttpResponse:
    """The form for a new question or a next version: looked at as people will see it, or saved."""
    posted = request.POST if request.method == "POST" else None
    form = QuestionForm(posted, initial=initial_of(latest), is_new=one is None)
    rows = choice_forms(posted, latest.content.get("choices", []) if latest else [])
    context: dict[str, Any] = {"question": one, "latest": latest, "form": form, "rows": rows}
    # Both are asked, so that one page of errors tells everything.
    if posted is not None and all([form.is_valid(), rows.is_valid()]):
        wording = form.wording(rows.lines)
        if "preview" in posted or "hold" in posted:
            context |= _looked_at(posted, form, one, wording)
        elif kept := _kept(request, form, one, wording):
            messages.success(
                request,
                f"Version {kept.number} is kept. It is asked once another trainer has reviewed it.",
            )
            return redirect("question", kept.question.code)
    # What an author may hold fixed is what the drawing is made from.
    context["pictures"] = [(kind, [each.name for each in fields(kind.parameters)]) for kind in KINDS.values()]
    return render(request, "assessments/questions/write.html", context)


def _kept(
    request: HttpRequest, form: QuestionForm, one: Question | None, wording: dict[str, Any]
) -> QuestionVersion | None:
    if one is not None:
        return attempt(form, revise_question, by=request.user, question=one, **wording)
    names = {name: form.cleaned_data[name] for name in ("topic", "code")}
    return attempt(form, write_question, by=request.user, **names, **wording)


def _looked_at(
    posted: Any, form: QuestionForm, one: Question | None, wording: dict[str, Any]
) -> dict[str, Any]:
    """What the page shows beside the form of a question that is not kept yet: itself, as it is drawn."""
    variant = whole_number(posted.get("hold") or posted.get("preview") or "1", 6)
    if variant is None:
        variant = 1
    version = QuestionVersion(question=one or Question(code="new"), number=1, **wording)
    is_to_hold = _is_to_hold(version, variant)
    faults = faults_in(version)
    for field, sentences in faults.items():
        for sentence in sentences:
            form.add_error(field if field in form.fields else None, sentence)
    if faults:
        return {}
    context: dict[str, Any] = {"variant": variant, "next_variant": variant + 1, "is_to_hold": is_to_hold}
    if "hold" in posted and version.picture:
        held = form.data.copy()
        held["picture_fixed"] = as_lines(shown_for(version, variant)["parameters"])
        form.data = held
        context |= {"is_held": True, "is_to_hold": False}
    return context | {"card": asked_card(version, variant), "told": told_card(version, variant)}


def _is_to_hold(version: QuestionVersion, variant: int) -> bool:
    """Whether an illustration is still open in part. It is then looked at as this variant draws it, so that
    its author can choose one to hold."""
    if version.kind == Kind.PICTURE or version.picture not in KINDS:
        return False
    try:
        parameters = shown_for(version, variant)["parameters"]
    except UnfitParameters:
        return False
    is_open = set(parameters) > set(version.picture_fixed)
    version.picture_fixed = parameters
    return is_open


@require_POST
@asks(Right.KEEP_QUESTIONS)
def question_review(request: HttpRequest, code: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    one = get_object_or_404(Question, code=code)
    version = get_object_or_404(one.versions.select_related("question"), number=_number_of(request))
    form = ReviewForm(request.POST)
    if form.is_valid() and attempt(
        form, review_version, by=request.user, version=version, remark=form.cleaned_data["remark"]
    ):
        messages.success(request, f"Version {version.number} is in use from now on.")
        return redirect("question", one.code)
    return _question_page(request, code, review_form=form)


def _number_of(request: HttpRequest) -> int:
    """The version that was read: one that was written meanwhile is not reviewed unread."""
    number = whole_number(request.POST.get("version"), 5)
    if number is None:
        raise Http404("No such version.")
    return number


@require_POST
@asks(Right.KEEP_QUESTIONS)
def question_retire(request: HttpRequest, code: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    one = get_object_or_404(Question, code=code)
    form = RetireForm(request.POST)
    if form.is_valid() and attempt(
        form, retire_question, by=request.user, question=one, reason=form.cleaned_data["reason"]
    ):
        messages.success(
            request, "The question is retired: it is drawn no more, and everything about it stays."
        )
        return redirect("question", one.code)
    return _question_page(request, code, retire_form=form)


urlpatterns: list[URLPattern] = [
    path("questions/", question_list, name="question-list"),
    path("questions/new/", question_new, name="question-new"),
    path("questions/<slug:code>/", question, name="question"),
    path("questions/<slug:code>/new-version/", question_edit, name="question-edit"),
    path("questions/<slug:code>/preview/", question_preview, name="question-preview"),
    path("questions/<slug:code>/review/", question_review, name="question-review"),
    path("questions/<slug:code>/retire/", question_retire, name="question-retire"),
]
