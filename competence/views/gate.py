"""Asking the gate from the office: may this person check out this machine, now or at another moment?"""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET

from competence.actions.clock import now
from competence.forms.gate import GateForm
from competence.permissions import Right, may
from competence.queries.defects import open_stops
from competence.queries.gate_answers import answer
from competence.views.doing import asks
from competence.views.pages import clock_of


@require_GET
@asks(Right.ASK_GATE)
def gate(request: HttpRequest) -> HttpResponse:
    """A GET form: asking changes nothing, and an answer can be sent to somebody by its address."""
    if request.GET.get("known_at"):
        # What the register knew at another moment is for the record, which an older address did not know.
        return redirect(f"{reverse('record')}?{request.GET.urlencode()}")
    is_asked = "operator" in request.GET
    form = GateForm(
        request.GET if is_asked else None,
        account=request.user,
        initial={"machine": request.GET.get("machine", "")},
    )
    if not (is_asked and form.is_valid()):
        return render(request, "competence/gate/gate.html", {"form": form})
    asked = form.cleaned_data
    site = form.found_machine.site
    found = answer(
        operator=asked["operator"],
        machine=asked["machine"],
        at=asked["at"],
        known_at=now(),
        supervisor=asked["supervisor"] or None,
        site=site,
    )
    with clock_of(form.clock):
        context = {
            "form": form,
            "answer": found,
            "verdict": found.verdict,
            "operator": form.found_operator,
            "machine": form.found_machine,
            "clock": form.clock,
            "stops": open_stops(form.found_machine),
            "may_ask_record": may(request.user, Right.ASK_RECORD, site=site),
            "may_see_operator": may(request.user, Right.SEE_RECORDS, site=form.found_operator.site),
        }
        return render(request, "competence/gate/gate.html", context)


urlpatterns: list[URLPattern] = [path("gate/", gate, name="gate")]
