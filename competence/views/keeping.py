"""Keeping and forgetting: how long what is kept and by which rule, what is past its time, what is held on
somebody, and erasing."""

from typing import Any

from django.apps import apps
from django.contrib import messages
from django.core.exceptions import FieldDoesNotExist
from django.db.models import Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from competence.actions.clock import now
from competence.actions.erasures import erase_person, erase_record, keep_rule
from competence.actions.looks import note_look
from competence.forms.keeping import ErasePersonForm, EraseRecordForm, KeepingRuleForm
from competence.models import Account, Erasure, Look
from competence.models.personal import PERSONAL
from competence.outputs.subject_access import subject_access_zip
from competence.permissions import (
    Right,
    may,
    may_everywhere,
    require_everywhere,
    sites_with,
)
from competence.queries.erasing import ErasableColumn, Subject, outlook, pictures_and_words, still_kept
from competence.queries.journal_erasures import erasure_lines
from competence.queries.keeping import kind_lines, people_past
from competence.queries.subject_access import held_on
from competence.rules.dates import day_at
from competence.views.doing import asks, attempt
from competence.views.files import ZIP, file_to_keep
from competence.views.pages import form_page, operator_or_404

# Of what was erased, and who is past their time, the page shows so many.
SHOWN = 50


@require_GET
@asks(Right.TAKE_OUT)
def keeping(request: HttpRequest) -> HttpResponse:
    """Each kind of record: how long, by which rule, and how many are past their time at these sites."""
    sites, moment = sites_with(request.user, Right.TAKE_OUT), now()
    gone = people_past(moment, sites)
    context = {
        "lines": kind_lines(moment, sites),
        "gone": gone[:SHOWN],
        "more_gone": max(0, len(gone) - SHOWN),
        "erasures": erasure_lines(SHOWN) if may_everywhere(request.user, Right.TAKE_OUT) else None,
        "may_rule": may(request.user, Right.ERASE),
        "is_everywhere": sites is None,
    }
    return render(request, "competence/keeping/keeping.html", context)


@asks(Right.ERASE)
def rule_new(request: HttpRequest) -> HttpResponse:
    sites = sites_with(request.user, Right.ERASE)
    form = KeepingRuleForm(request.POST or None, site_ids=sites)
    if form.is_valid() and attempt(form, keep_rule, by=request.user, **form.cleaned_data):
        messages.success(
            request, "The rule is kept. It can lengthen what the law asks, and never shortens it."
        )
        return redirect("keeping")
    return form_page(
        request,
        form,
        title="Keep a rule of keeping",
        overline="Keeping",
        lead="For how long the firm keeps a kind of record, or what the law of the place asks. The longest "
        "of all rules holds: a short one takes nothing away.",
        submit="Keep the rule",
        back_url=reverse("keeping"),
        back_label="Keeping",
    )


@require_GET
@asks(Right.TAKE_OUT)
def person(request: HttpRequest, number: str) -> HttpResponse:
    """What is kept of one operator, to which day, and what may be taken out or erased."""
    operator = operator_or_404(request, number, Right.TAKE_OUT)
    return _subject_page(request, Subject.of_operator(operator), reverse("operator", args=[number]))


@require_GET
@asks(Right.TAKE_OUT)
def staff(request: HttpRequest, username: str) -> HttpResponse:
    """The same of an account that is no operator's."""
    account = _staff_or_404(request, username, Right.TAKE_OUT)
    back = reverse("account", args=[username]) if may(request.user, Right.KEEP_PEOPLE) else reverse("keeping")
    return _subject_page(request, Subject.of_account(account), back)


def _staff_or_404(request: HttpRequest, username: str, right: Right) -> Account:
    """Staff hold roles at many sites, so what is held on them takes a role for every site."""
    require_everywhere(request.user, right)
    return get_object_or_404(Account.objects.filter(operator=None), username=username)


def _subject_page(request: HttpRequest, subject: Subject, back: str) -> HttpResponse:
    today = day_at(now(), subject.zone)
    kinds = subject.kept(today)
    may_erase = may_everywhere(request.user, Right.ERASE)
    kept = [one for one in kinds if not one.is_past]
    context = {
        "subject": subject,
        "left": subject.left_on,
        "kinds": kinds,
        "still": kept,
        "kept_until": _kept_until(kept),
        "may_erase": may_erase and not subject.is_erased,
        "by_hand": pictures_and_words(subject) if may_erase and subject.operator else [],
        "erasures": Erasure.objects.filter(operator=subject.operator).select_related("by")
        if subject.operator
        else Erasure.objects.filter(account=subject.account).select_related("by"),
        "doors": _doors(subject),
        "back": back,
    }
    return render(request, "competence/keeping/person.html", context)


def _kept_until(kept: list[Any]) -> Any:
    """The last day on which any of these is kept, where each has one."""
    days = [one.kept.until for one in kept]
    return max(days) if days and all(days) else None


def _doors(subject: Subject) -> dict[str, str]:
    if subject.operator:
        names, key = (
            ("keeping-person-file", "keeping-person-erase", "keeping-person"),
            subject.operator.number,
        )
    else:
        names = ("keeping-staff-file", "keeping-staff-erase", "keeping-staff")
        key = subject.number
    file, erase, page = (reverse(name, args=[key]) for name in names)
    return {"file": file, "erase": erase, "page": page}


@require_POST
@asks(Right.TAKE_OUT)
def person_file(request: HttpRequest, number: str) -> HttpResponse:
    return _file(request, Subject.of_operator(operator_or_404(request, number, Right.TAKE_OUT)))


@require_POST
@asks(Right.TAKE_OUT)
def staff_file(request: HttpRequest, username: str) -> HttpResponse:
    return _file(request, Subject.of_account(_staff_or_404(request, username, Right.TAKE_OUT)))


@require_POST
def own_file(request: HttpRequest) -> HttpResponse:
    """What is held on whoever asks: their own record, whatever their roles are now."""
    return _file(request, Subject.of_account(request.user))


def _file(request: HttpRequest, subject: Subject) -> HttpResponse:
    """Noted before it is handed over, so that nobody takes it out unseen."""
    account = None if subject.operator else subject.account
    note_look(by=request.user, kind=Look.Kind.ACCESS, operator=subject.operator, account=account)
    moment = timezone.localtime(now(), subject.zone)
    name = f"held-on-{subject.number.lower()}-{moment:%Y-%m-%d}.zip"
    return file_to_keep(subject_access_zip(subject, held_on(subject), moment), name, ZIP)


@asks(Right.ERASE)
def person_erase(request: HttpRequest, number: str) -> HttpResponse:
    require_everywhere(request.user, Right.ERASE)
    operator = operator_or_404(request, number, Right.ERASE)
    return _erase(request, Subject.of_operator(operator), operator)


@asks(Right.ERASE)
def staff_erase(request: HttpRequest, username: str) -> HttpResponse:
    account = _staff_or_404(request, username, Right.ERASE)
    return _erase(request, Subject.of_account(account), account)


def _erase(request: HttpRequest, subject: Subject, whom: Any) -> HttpResponse:
    """What would go and what would stay, and the form that does it; while a rule asks for a record, which."""
    today = day_at(now(), subject.zone)
    form = ErasePersonForm(request.POST or None, number=subject.number)
    if form.is_valid() and (
        erased := attempt(form, erase_person, by=request.user, whom=whom, **form.cleaned_data)
    ):
        messages.success(
            request, f"Erased: {erased.rows.count()} rows were overwritten, and the journal says so."
        )
        return redirect("keeping")
    context = {
        "form": form,
        "subject": subject,
        "still": still_kept(subject, today),
        "outlook": outlook(subject),
        "back": _doors(subject)["page"],
    }
    return render(request, "competence/keeping/erase.html", context)


@asks(Right.ERASE)
def record_erase(request: HttpRequest, label: str, key: str, column: str) -> HttpResponse:
    """Erase one row's own words or picture."""
    require_everywhere(request.user, Right.ERASE)
    erasable = _column_or_404(label, key, column)
    form = EraseRecordForm(request.POST or None)
    if form.is_valid() and attempt(form, erase_record, by=request.user, column=erasable, **form.cleaned_data):
        messages.success(request, "Erased. The record itself stays, and the journal says what was done.")
        return redirect("keeping")
    kept = erasable.kept(now().date())
    return form_page(
        request,
        form,
        title="Erase a photograph" if erasable.is_photograph else "Erase words",
        overline="Keeping",
        lead=f"The {erasable.words}.",
        consequence="The photograph's file is deleted and cannot be brought back. The record stays."
        if erasable.is_photograph
        else f"“{erasable.said}” is overwritten and cannot be brought back. The record stays. By the rules: "
        f"{kept.words}.",
        is_stop=True,
        submit="Erase it",
        back_url=reverse("keeping"),
        back_label="Keeping",
    )


def _column_or_404(label: str, key: str, column: str) -> ErasableColumn:
    told = PERSONAL.get(label)
    if told is None or column not in told.by_hand:
        raise Http404("There is nothing of that name to erase.")
    model: Any = apps.get_model(label)
    try:
        row: Model | None = model._base_manager.filter(pk=key).first()
    except (ValueError, FieldDoesNotExist):
        row = None
    if row is None:
        raise Http404("There is no such row.")
    return ErasableColumn(row, column)


urlpatterns: list[URLPattern] = [
    path("keeping/", keeping, name="keeping"),
    path("keeping/rules/new/", rule_new, name="keeping-rule-new"),
    path("keeping/people/<str:number>/", person, name="keeping-person"),
    path("keeping/people/<str:number>/record.zip", person_file, name="keeping-person-file"),
    path("keeping/people/<str:number>/erase/", person_erase, name="keeping-person-erase"),
    path("keeping/staff/<str:username>/", staff, name="keeping-staff"),
    path("keeping/staff/<str:username>/record.zip", staff_file, name="keeping-staff-file"),
    path("keeping/staff/<str:username>/erase/", staff_erase, name="keeping-staff-erase"),
    path(
        "keeping/records/<str:label>/<str:key>/<str:column>/erase/", record_erase, name="keeping-record-erase"
    ),
    path("my/held/record.zip", own_file, name="my-held"),
]
