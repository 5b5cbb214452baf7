"""Papers: what each category's asks, publishing the next version, and the panels that set its cut."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from assessments.actions.papers import close_panel, open_panel, publish_paper, rate_panel
from assessments.forms.papers import PanelForm, PaperForm, RatingForm, paper_initial
from assessments.models import Panel, Topic
from assessments.queries.papers import (
    PanelSheet,
    held_by_topic,
    panel_sheet,
    paper_rows,
    paper_sheet,
    papers_to_show,
)
from assessments.rules.papers import FEWEST_JUDGES
from assessments.views.question_cards import told_card
from assessments.views.questions import may_keep
from competence.actions.errors import ActionRefused
from competence.models import Category
from competence.permissions import Right, may, require_everywhere
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.standards import version_asked


@require_GET
@asks(Right.SEE_QUESTIONS)
def paper_list(request: HttpRequest) -> HttpResponse:
    rows = paper_rows(timezone.localdate())
    return render(request, "assessments/papers/list.html", {"rows": rows, "may_keep": may_keep(request)})


@require_GET
@asks(Right.SEE_QUESTIONS)
def paper(request: HttpRequest, category: str) -> HttpResponse:
    return _paper_page(request, category, number=version_asked(request))


def _paper_page(
    request: HttpRequest, category: str, *, number: int | None = None, panel_form: PanelForm | None = None
) -> HttpResponse:
    one = get_object_or_404(Category, code=category)
    sheet = paper_sheet(one, timezone.localdate(), number)
    if number is not None and sheet.shown is None:
        raise Http404("No such version.")
    asked = [row.line.topic_id for row in sheet.lines]
    context = {
        "category": one,
        "sheet": sheet,
        "may_keep": may_keep(request),
        "panel_form": panel_form or PanelForm(asked=asked, initial={"topics": asked, "of_each": 3}),
    }
    return render(request, "assessments/papers/paper.html", context)


@asks(Right.KEEP_QUESTIONS)
def paper_new(request: HttpRequest, category: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    one = get_object_or_404(Category, code=category)
    latest = papers_to_show().filter(category=one).order_by("-number").first()
    held = held_by_topic(one)
    # What the version before asks stays in sight, also where the bank has nothing left of it.
    asked = [line.topic_id for line in latest.lines.all()] if latest else []
    topics = Topic.objects.filter(pk__in=[*held, *asked]).order_by("name")
    posted = request.POST if request.method == "POST" else None
    form = PaperForm(posted, category=one, topics=topics, held=held, initial=paper_initial(latest))
    if posted is not None and form.is_valid():
        published = attempt(
            form, publish_paper, by=request.user, category=one, lines=form.lines, **form.terms
        )
        if published:
            starts = long_date(published.in_force_from)
            messages.success(request, f"Version {published.number} is published, in force from {starts}.")
            return redirect("paper", one.code)
    context = {"category": one, "latest": latest, "form": form}
    return render(request, "assessments/papers/new.html", context)


@require_POST
@asks(Right.KEEP_QUESTIONS)
def panel_open(request: HttpRequest, category: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    one = get_object_or_404(Category, code=category)
    form = PanelForm(request.POST)
    if form.is_valid():
        typed = dict(form.cleaned_data, topics=list(form.cleaned_data["topics"]))
        if opened := attempt(form, open_panel, by=request.user, category=one, **typed):
            messages.success(request, "The panel is open. Ask the trainers who are to judge to rate it.")
            return redirect("panel", opened.pk)
    return _paper_page(request, category, panel_form=form)


@require_GET
@asks(Right.SEE_QUESTIONS)
def panel(request: HttpRequest, pk: int) -> HttpResponse:
    one = _panel(pk)
    sheet = panel_sheet(one, request.user, timezone.localdate())
    context = {
        "panel": one,
        "sheet": sheet,
        "fewest": FEWEST_JUDGES,
        "whole": sum(1 for judge in sheet.judges if judge.is_whole),
        "asked": sum(line.questions for line in sheet.lines),
        "may_keep": may_keep(request),
        "may_rate": may(request.user, Right.KEEP_QUESTIONS),
    }
    return render(request, "assessments/papers/panel.html", context)


@asks(Right.KEEP_QUESTIONS)
def panel_rate(request: HttpRequest, pk: int) -> HttpResponse:
    """One judge's own ratings, each question with its right answer; nobody else's are shown."""
    one = _panel(pk)
    if one.closed_at is not None:
        messages.error(request, "This panel is closed; its ratings stand as they are.")
        return redirect("panel", one.pk)
    sheet = panel_sheet(one, request.user, timezone.localdate())
    posted = request.POST if request.method == "POST" else None
    form = RatingForm(posted, questions=[row.row for row in sheet.rows], initial=_given(sheet))
    if posted is not None and form.is_valid():
        kept = attempt(form, rate_panel, by=request.user, panel=one, ratings=form.ratings)
        if kept:
            left = len(sheet.rows) - len(form.ratings.keys() | {row.row.pk for row in sheet.rows if row.own})
            more = f" {left} to go." if left else " You have rated them all."
            messages.success(request, f"{len(kept)} rating{'s' if len(kept) > 1 else ''} kept.{more}")
            return redirect("panel", one.pk)
    cards = [
        (row.row, told_card(row.row.version, row.row.pk), form[f"rating-{row.row.pk}"]) for row in sheet.rows
    ]
    context = {"panel": one, "sheet": sheet, "form": form, "cards": cards}
    return render(request, "assessments/papers/rate.html", context)


def _given(sheet: PanelSheet) -> dict[str, Any]:
    return {f"rating-{row.row.pk}": round(row.own.share * 100) for row in sheet.rows if row.own is not None}


@require_POST
@asks(Right.KEEP_QUESTIONS)
def panel_close(request: HttpRequest, pk: int) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_QUESTIONS)
    one = _panel(pk)
    try:
        close_panel(by=request.user, panel=one)
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
    else:
        messages.success(request, "The panel is closed. A new version of the paper can take its cut.")
    return redirect("panel", one.pk)


def _panel(pk: int) -> Panel:
    return get_object_or_404(Panel.objects.select_related("category", "opened_by"), pk=pk)


urlpatterns: list[URLPattern] = [
    path("question-papers/", paper_list, name="paper-list"),
    path("question-papers/<slug:category>/", paper, name="paper"),
    path("question-papers/<slug:category>/new-version/", paper_new, name="paper-new"),
    path("question-papers/<slug:category>/panel/", panel_open, name="panel-open"),
    path("panels/<int:pk>/", panel, name="panel"),
    path("panels/<int:pk>/rate/", panel_rate, name="panel-rate"),
    path("panels/<int:pk>/close/", panel_close, name="panel-close"),
]
