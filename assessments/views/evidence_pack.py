"""Taking an evidence pack out: asked for, shown what it would hold, handed over."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.views.decorators.http import require_http_methods

from assessments.forms.evidence_pack import EvidencePackForm
from assessments.outputs.evidence_pack import take_out_pack
from assessments.queries.evidence_pack import pack_rows
from competence.permissions import Right
from competence.queries.checkpoints import JournalKeyUnusable
from competence.queries.journal_proofs import CannotProve
from competence.queries.journal_tree import JournalBroken
from competence.views.doing import asks
from competence.views.pages import clock_of

CANNOT = (CannotProve, JournalBroken, JournalKeyUnusable)


@require_http_methods(["GET", "POST"])
@asks(Right.TAKE_OUT)
def evidence_pack(request: HttpRequest) -> HttpResponse:
    """A GET form that says what would be in the pack, and under it what takes it out."""
    typed = request.POST if request.method == "POST" else request.GET
    is_asked = request.method == "POST" or "at" in typed
    prefilled = {name: typed.get(name, "") for name in ("operator", "machine")}
    form = EvidencePackForm(typed if is_asked else None, account=request.user, initial=prefilled)
    if not (is_asked and form.is_valid()):
        return render(request, "assessments/pack/pack.html", {"form": form})
    asked = form.asked
    if request.method == "POST":
        try:
            pack = take_out_pack(asked, by=request.user, noted_site=form.noted_site)
        except CANNOT as error:
            messages.error(request, f"No pack was made. {error}")
        else:
            answer = HttpResponse(pack.pdf, content_type="application/pdf")
            answer["Content-Disposition"] = f'attachment; filename="{pack.name}"'
            answer["Cache-Control"] = "no-store"
            return answer
    rows = pack_rows(asked, by=request.user)
    with clock_of(asked.site):
        context = {
            "form": form,
            "asked": asked,
            "counts": rows.counts,
            "left_out": rows.left_out,
            "typed": [(name, form.data.get(name)) for name in form.fields if form.data.get(name)],
        }
        return render(request, "assessments/pack/pack.html", context)


urlpatterns: list[URLPattern] = [path("packs/", evidence_pack, name="evidence-pack")]
