"""Asking the record: what was true at a past moment, what the register said then, and why the two differ."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from competence.actions.clock import now
from competence.actions.looks import note_look
from competence.forms.gate import AskRecordForm
from competence.models import Look, Operator
from competence.permissions import Right, may, may_everywhere
from competence.queries.checkpoints import checkpoint_as_json
from competence.queries.record import RecordAnswer, ask_record
from competence.views.doing import asks
from competence.views.pages import clock_of


@require_GET
@asks(Right.ASK_RECORD)
def record(request: HttpRequest) -> HttpResponse:
    """A GET form, so that an answer has an address. Asking changes no record; that it was asked is noted
    before the answer is given."""
    is_asked = "at" in request.GET and "operator" in request.GET
    prefilled = {name: request.GET.get(name, "") for name in ("operator", "machine")}
    form = AskRecordForm(request.GET if is_asked else None, account=request.user, initial=prefilled)
    if not (is_asked and form.is_valid()):
        return render(request, "competence/record/record.html", {"form": form})
    asked = form.cleaned_data
    at, known_at = asked["at"], asked["known_at"]
    operator, machine = form.found_operator, form.found_machine
    note_look(
        by=request.user,
        kind=Look.Kind.RECORD,
        operator=operator,
        machine=machine,
        site=form.site,
        asked={"at": at.isoformat()} | ({"known_at": known_at.isoformat()} if known_at else {}),
    )
    sees_chain = may(request.user, Right.SEE_RECORDS, site=operator.site)
    answer = ask_record(
        operator=operator,
        machine=machine,
        site=form.clock,
        at=at,
        asked_at=now(),
        known_at=known_at,
        supervisor=_supervisor(asked["supervisor"]),
        with_chain=sees_chain,
    )
    with clock_of(form.clock):
        context = {
            "form": form,
            "answer": answer,
            "second_at": form.second_at,
            "sees_chain": sees_chain,
            "may_take_out": may(request.user, Right.TAKE_OUT, site=form.site),
            "sees_entries": may_everywhere(request.user, Right.SEE_JOURNAL),
            "stated": checkpoint_as_json(answer.checkpoint) if answer.checkpoint else None,
            "third_title": _third_title(answer),
        }
        return render(request, "competence/record/record.html", context)


def _third_title(answer: RecordAnswer) -> str:
    is_later = answer.third is not None and answer.third.known_at >= answer.then.known_at
    return f"As the register knew it {'later' if is_later else 'before'}"


def _supervisor(number: str) -> Operator | None:
    return Operator.objects.get(number=number) if number else None


urlpatterns: list[URLPattern] = [path("record/", record, name="record")]
