"""What becomes of a finished assessment: confirmed by both, lowered, raised, corrected."""

import uuid
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from assessments.actions.outcomes import (
    confirm_assessment,
    correct_assessment,
    lower_outcome,
    raise_outcome,
    record_unconfirmed,
)
from assessments.forms.practical import CorrectForm, OperatorConfirmForm, RaiseForm, ReasonForm
from assessments.models import Assessment
from assessments.queries.assessment_lists import marks_alongside
from assessments.queries.assessment_records import outcome_word, record_of
from assessments.queries.practical import assessments_to_show
from competence.permissions import NotAllowed, Right, require
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.pages import form_page

Status = Assessment.Status


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "POST"])
def confirm(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """The outcome and what made it; the assessor and the operator each confirm it for themself."""
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    is_assessor = assessment.assessor_id == request.user.pk
    is_operator = request.user.operator_id is not None and assessment.operator_id == request.user.operator_id
    if not (is_assessor or is_operator):
        raise NotAllowed("Only the assessor and the operator of an assessment confirm it, each for themself.")
    if assessment.status == Status.MARKING and is_assessor:
        return redirect("assessment-finish", assessment.pk)
    if assessment.status != Status.FINISHED:
        return redirect("assessment-record", assessment.pk)
    is_here = request.method == "POST" and request.POST.get("who") == "operator" and is_assessor
    sign_in = OperatorConfirmForm(
        request.POST if is_here else None, request=request, operator=assessment.operator
    )
    form = forms.Form(request.POST if request.method == "POST" and not is_here else None)
    shown = sign_in if is_here else form
    if request.method == "POST" and shown.is_valid():
        by = sign_in.account if is_here else request.user
        made = _confirm(shown, by, assessment, request.POST.get("is_competent") == "True")
        if made is not None:
            return _after_confirming(request, made)
        # What was refused may have been changed meanwhile.
        assessment = assessments_to_show().get(pk=assessment.pk)
    return render(
        request,
        "assessments/practical/confirm.html",
        {
            "assessment": assessment,
            "record": record_of(assessment),
            "is_assessor": is_assessor,
            "is_operator": is_operator,
            "form": form,
            "sign_in": sign_in,
        },
    )


def _confirm(form: forms.Form, by: Any, assessment: Assessment, is_competent: bool) -> Assessment | None:
    try:
        return attempt(
            form, confirm_assessment, by=by, assessment_id=assessment.pk, is_competent=is_competent
        )
    except NotAllowed as not_allowed:
        form.add_error(None, str(not_allowed))
        return None


def _after_confirming(request: HttpRequest, assessment: Assessment) -> HttpResponse:
    if assessment.status == Status.CONFIRMED:
        messages.success(request, "Both have confirmed. The assessment is final and stands on the record.")
        return redirect("assessment-record", assessment.pk)
    messages.success(request, "Confirmed. It is final once the other has confirmed too.")
    return redirect("assessment-confirm", assessment.pk)


def _own_finished(request: HttpRequest, assessment_id: uuid.UUID) -> Assessment:
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    if assessment.assessor_id != request.user.pk:
        raise NotAllowed("Only the assessor of an assessment changes its outcome, on their own device.")
    return assessment


@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def lower(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    assessment = _own_finished(request, assessment_id)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        made = attempt(
            form,
            lower_outcome,
            by=request.user,
            assessment_id=assessment.pk,
            reason=form.cleaned_data["reason"],
        )
        if made is not None:
            messages.success(request, "The outcome is lowered to not yet competent.")
            return redirect("assessment-confirm", made.pk)
    return _outcome_page(
        request,
        form,
        assessment,
        title="Lower the outcome",
        consequence="The operator is then found not yet competent although the marks say competent. What the "
        "marks say stays on the record beside your reason. Whoever has confirmed confirms again.",
        submit="Lower to not yet competent",
        is_stop=True,
    )


@sensitive_post_parameters("password")
@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def raise_it(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """A second appointed assessor signs in on the first one's device and raises the outcome."""
    assessment = _own_finished(request, assessment_id)
    form = RaiseForm(request.POST or None, request=request)
    if form.is_valid() and (made := _raise(form, assessment)) is not None:
        messages.success(request, f"The outcome is raised to competent by {made.raised_by.name}.")
        return redirect("assessment-confirm", made.pk)
    return _outcome_page(
        request,
        form,
        assessment,
        title="Raise the outcome",
        consequence="The operator is then found competent although the marks say not yet. It takes a second "
        "appointed assessor, who signs in here. What the marks say stays on the record beside the reason. "
        "The password is used once, now, and is not kept.",
        submit="Raise to competent",
        is_stop=True,
    )


def _raise(form: RaiseForm, assessment: Assessment) -> Assessment | None:
    try:
        return attempt(
            form,
            raise_outcome,
            by=form.account,
            assessment_id=assessment.pk,
            reason=form.cleaned_data["reason"],
        )
    except NotAllowed as not_allowed:
        form.add_error("name", f"{form.account.name}: {not_allowed}")
        return None


def _outcome_page(
    request: HttpRequest, form: forms.Form, assessment: Assessment, **words: Any
) -> HttpResponse:
    return form_page(
        request,
        form,
        overline=f"{assessment.operator.name} on {assessment.machine.fleet_number}",
        back_url=reverse("assessment-confirm", args=[assessment.pk]),
        back_label="the outcome",
        **words,
    )


@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def unconfirmed(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """A trainer of the site records that the operator did not confirm, once they have had their days."""
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    require(request.user, Right.ASSESS, site=assessment.site)
    if marks_alongside(request.user, assessment):
        raise NotAllowed("You are marking this walk-around alongside; finish your own first.")
    if assessment.status != Status.FINISHED:
        return redirect("assessment-record", assessment.pk)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        made = attempt(
            form,
            record_unconfirmed,
            by=request.user,
            assessment_id=assessment.pk,
            reason=form.cleaned_data["reason"],
        )
        if made is not None:
            messages.success(
                request, "Recorded. The assessment is final without the operator's confirmation."
            )
            return redirect("assessment-record", made.pk)
    first_day = record_of(assessment).first_day_without_operator
    found = outcome_word(assessment.is_competent).lower()
    return form_page(
        request,
        form,
        title="Record that the operator did not confirm",
        overline=f"{assessment.operator.name} on {assessment.machine.fleet_number}",
        lead=f"This may be recorded from {long_date(first_day)}." if first_day else "",
        consequence=f"The assessment becomes final as it was found: {found}. The record and its PDF "
        "say that the operator did not confirm it, who recorded that, and why. "
        "It cannot be undone; a mistake in the outcome is corrected beside it.",
        is_stop=True,
        submit="Make it final without the operator",
        back_url=reverse("assessment-record", args=[assessment.pk]),
        back_label="the record",
    )


@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def correct(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    require(request.user, Right.ASSESS, site=assessment.site)
    form = CorrectForm(request.POST or None)
    if form.is_valid():
        made = attempt(
            form,
            correct_assessment,
            by=request.user,
            assessment_id=assessment.pk,
            is_competent=form.cleaned_data["is_competent"],
            reason=form.cleaned_data["reason"],
        )
        if made is not None:
            messages.success(request, "The correction stands on the record, beside what it corrects.")
            return redirect("assessment-record", assessment.pk)
    return form_page(
        request,
        form,
        title="Correct this assessment",
        overline=f"{assessment.operator.name} on {assessment.machine.fleet_number}",
        consequence="The assessment stays as it was confirmed. The correction stands beside it, and its "
        "evidence counts from now on. A ticket that was issued on it is not changed: suspend or withdraw it "
        "where that is needed.",
        submit="Record the correction",
        is_stop=True,
        back_url=reverse("assessment-record", args=[assessment.pk]),
        back_label="the record",
    )


urlpatterns: list[URLPattern] = [
    path("assessments/<uuid:assessment_id>/confirm/", confirm, name="assessment-confirm"),
    path("assessments/<uuid:assessment_id>/lower/", lower, name="assessment-lower"),
    path("assessments/<uuid:assessment_id>/raise/", raise_it, name="assessment-raise"),
    path("assessments/<uuid:assessment_id>/unconfirmed/", unconfirmed, name="assessment-unconfirmed"),
    path("assessments/<uuid:assessment_id>/correct/", correct, name="assessment-correct"),
]
