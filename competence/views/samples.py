"""The auditor's samples: the list, asking for one, filling its sheet in, and closing it."""

from collections import Counter
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import NoReverseMatch, URLPattern, path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.looks import note_look
from competence.actions.samples import close_sample, draw_sample, note_verdict
from competence.forms.samples import CloseSampleForm, SampleForm
from competence.models import Look, Sample, SampledItem, SampleVerdict
from competence.outputs.sample_sheet import SheetLine, SheetOfSample, sample_workbook
from competence.permissions import Right, may_everywhere, require_where, sites_with
from competence.queries.checkpoints import latest_checkpoint
from competence.queries.sample_populations import POPULATIONS, SampleAsked, population_named
from competence.queries.samples import (
    SheetRow,
    aim_of,
    basis_words,
    plan_sample,
    samples_listed,
    samples_to_show,
    sheet_of,
    strata_of,
    tally_of,
    what_words,
)
from competence.queries.timeline import moment_words
from competence.rules.sampling import CannotSample, Outcome, Tally
from competence.rules.sampling_words import ResultWords, draw_steps, result_words, size_sentences
from competence.views.doing import asks, attempt
from competence.views.files import WORKBOOK, file_to_keep
from competence.views.lists import choice, paged, typed, whole_number

Found = SampleVerdict.Found
TONES = {Found.MET: "good", Found.FAULT: "stop", Found.CANNOT_TELL: "warn"}
OUTCOMES = {
    Outcome.SHOWN: ("Shown", "good"),
    Outcome.NOT_SHOWN: ("Not shown", "stop"),
    Outcome.UNSETTLED: ("Not settled", "warn"),
}
# What the sheet can be narrowed to; the empty one shows all.
SHOWN = (("open", "Without a verdict"), ("fault", "Faults"), ("cannot_tell", "Cannot tell"), ("met", "Met"))


@require_GET
@asks(Right.SAMPLE)
def sample_list(request: HttpRequest) -> HttpResponse:
    page, query = paged(request, samples_listed(sites_with(request.user, Right.SAMPLE)))
    zone = timezone.get_current_timezone()
    rows = [(one, what_words(one, zone), basis_words(one)) for one in page]
    return render(request, "competence/samples/list.html", {"page": page, "query": query, "rows": rows})


@asks(Right.SAMPLE)
def sample_new(request: HttpRequest) -> HttpResponse:
    """Ask for a sample: first what it would be, then the draw. Working the size out keeps nothing."""
    form = SampleForm(
        request.POST or None,
        site_ids=sites_with(request.user, Right.SAMPLE),
        initial={"rate": 5, "confidence": 95, "of": typed(request, "of", "tickets")},
    )
    size: list[str] = []
    if form.is_valid() and form.asked:
        require_where(request.user, Right.SAMPLE, form.asked.site)
        if "draw" in request.POST:
            drawn = attempt(form, draw_sample, by=request.user, asked=form.asked)
            if drawn:
                messages.success(request, f"Sample {drawn.pk} is drawn, with the seed {drawn.seed}.")
                return redirect("sample", drawn.pk)
        else:
            size = _size(form, form.asked)
    context = {
        "form": form,
        "size": size,
        "populations": POPULATIONS,
        "is_everywhere": may_everywhere(request.user, Right.SAMPLE),
        "clock": timezone.get_current_timezone_name(),
    }
    return render(request, "competence/samples/new.html", context)


def _size(form: SampleForm, asked: SampleAsked) -> list[str]:
    try:
        planned = plan_sample(asked, now())
    except CannotSample as cannot:
        form.add_error(None, str(cannot))
        return []
    shares = [
        f"{site} {share} of {len(planned.by_site[site])}" for site, share in planned.shares.items() if site
    ]
    said = size_sentences(planned.aim)
    return [*said, f"That is, {', '.join(shares)}."] if shares else said


def _sample_or_404(request: HttpRequest, pk: int) -> Sample:
    sample = get_object_or_404(samples_to_show(), pk=pk)
    require_where(request.user, Right.SAMPLE, sample.site)
    return sample


@require_GET
@asks(Right.SAMPLE)
def sample(request: HttpRequest, pk: int) -> HttpResponse:
    return _page(request, _sample_or_404(request, pk))


def _page(request: HttpRequest, shown: Sample, form: CloseSampleForm | None = None) -> HttpResponse:
    rows, is_closed = sheet_of(shown), hasattr(shown, "result")
    tally, narrowed = tally_of(rows), typed(request, "show")
    page, query = paged(request, [row for row in rows if _fits(row, narrowed)])
    population = population_named(shown.of)
    first_open = next((row.item for row in rows if row.verdict is None), None)
    context = {
        "sample": shown,
        "what": what_words(shown, timezone.get_current_timezone()),
        "population": population,
        "size": size_sentences(aim_of(shown)),
        "tally": tally,
        "answered": tally.drawn - tally.unanswered,
        "so_far": _result(shown, rows, tally) if is_closed or tally.unanswered < tally.drawn else None,
        "page": page,
        "query": query,
        "sheet": [
            (row, _url_of(population.page, row.item), TONES.get(row.verdict and row.verdict.found))
            for row in page
        ],
        "selects": [choice("show", "Show", SHOWN, narrowed, "All of them")],
        "is_filtered": bool(narrowed),
        "is_open": not is_closed,
        "first_open": first_open,
        "steps": _steps(shown, rows),
        "verdicts": Found.choices,
        "form": form or CloseSampleForm(unanswered=tally.unanswered),
    }
    return render(request, "competence/samples/sample.html", context)


def _fits(row: SheetRow, narrowed: str) -> bool:
    found = row.verdict.found if row.verdict else "open"
    return not narrowed or found == narrowed


def _url_of(name: str, item: SampledItem) -> str:
    try:
        return reverse(name, args=[item.about])
    except NoReverseMatch:
        return ""


def _steps(shown: Sample, rows: list[SheetRow]) -> list[str]:
    shares = Counter(row.item.stratum if shown.is_by_site else "" for row in rows)
    return draw_steps(shown.seed, shown.population_size, shares, population_named(shown.of).key_words)


def _result(shown: Sample, rows: list[SheetRow], tally: Tally) -> dict[str, Any]:
    """What the sample says as it stands, or as it was kept when it was closed."""
    kept = getattr(shown, "result", None)
    words: ResultWords = result_words(aim_of(shown), tally, strata_of(shown, rows))
    word, tone = OUTCOMES[words.outcome]
    readings = kept.sentences if kept else [(one.counting, one.sentences) for one in words.readings]
    return {
        "word": word,
        "tone": tone,
        "headline": kept.headline if kept else words.headline,
        "readings": readings,
    }


@require_POST
@asks(Right.SAMPLE)
def sample_verdict(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep what was found of one record. A script gets JSON: 200 kept; 409 or 422 not, and why."""
    shown = _sample_or_404(request, pk)
    item = get_object_or_404(SampledItem, sample=shown, pk=whole_number(request.POST.get("item"), 18))
    sentence, status = "", 200
    try:
        note_verdict(
            by=request.user,
            item=item,
            found=request.POST.get("found", ""),
            note=request.POST.get("note", "").replace("\x00", "").strip(),
        )
    except ActionRefused as refused:
        sentence, status = refused.sentence, 409
    except ValidationError as invalid:
        sentence, status = " ".join(invalid.messages), 422
    if "application/json" in request.headers.get("Accept", ""):
        return JsonResponse({"sentence": sentence, **_so_far(shown)}, status=status)
    if sentence:
        messages.error(request, f"Record {item.position} was not kept: {sentence}")
    query = request.POST.get("query", "")
    return redirect(f"{reverse('sample', args=[pk])}{f'?{query}' if query else ''}#record-{item.position}")


def _so_far(shown: Sample) -> dict[str, Any]:
    """How far the sheet is, and what it shows so far, as the page draws it."""
    rows = sheet_of(shown)
    tally = tally_of(rows)
    so_far = _result(shown, rows, tally) if tally.unanswered < tally.drawn else None
    drawn = render_to_string("competence/samples/so_far.html", {"so_far": so_far})
    return {"answered": tally.drawn - tally.unanswered, "so_far": drawn}


@require_POST
@asks(Right.SAMPLE)
def sample_close(request: HttpRequest, pk: int) -> HttpResponse:
    shown = _sample_or_404(request, pk)
    form = CloseSampleForm(request.POST, unanswered=tally_of(sheet_of(shown)).unanswered)
    if form.is_valid() and attempt(
        form, close_sample, by=request.user, sample=shown, remarks=form.cleaned_data["remarks"]
    ):
        messages.success(request, f"Sample {pk} is closed, and its result kept.")
        return redirect("sample", pk)
    return _page(request, shown, form)


@require_POST
@asks(Right.SAMPLE)
def sample_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """The sheet as a workbook. It takes people's names out of the register, so that is noted first."""
    shown = _sample_or_404(request, pk)
    note_look(by=request.user, kind=Look.Kind.SAMPLE, site=shown.site, asked={"sample": shown.pk})
    zone = ZoneInfo(shown.site.zone) if shown.site else timezone.get_current_timezone()
    rows = sheet_of(shown)
    lines = [
        SheetLine(
            row.item.position,
            row.item.key,
            row.item.stratum,
            row.item.words,
            row.verdict.get_found_display() if row.verdict else "",
            row.verdict.note if row.verdict else "",
            row.verdict.by.name if row.verdict else "",
            row.verdict.at if row.verdict else None,
        )
        for row in rows
    ]
    content = sample_workbook(
        SheetOfSample(
            f"Sample {pk}",
            _facts(shown, rows, ZoneInfo(str(zone))),
            _steps(shown, rows),
            lines,
            shown.population,
            shown.seed,
            now(),
            ZoneInfo(str(zone)),
        )
    )
    return file_to_keep(content, f"sample-{pk}.xlsx", WORKBOOK)


def _facts(shown: Sample, rows: list[SheetRow], zone: ZoneInfo) -> list[tuple[str, str]]:
    population = population_named(shown.of)
    facts = [
        ("Sample", str(shown.pk)),
        ("Of", what_words(shown, zone)),
        ("Which are in it", population.says),
        ("As known at", f"{moment_words(shown.drawn_at, zone)} ({zone.key}), when it was drawn"),
        ("Drawn by", shown.drawn_by.name),
        ("Size", " ".join(size_sentences(aim_of(shown)))),
        ("Seed", shown.seed),
        ("Journal", _journal_words()),
    ]
    tally = tally_of(rows)
    if tally.unanswered < tally.drawn:
        result = _result(shown, rows, tally)
        is_closed = hasattr(shown, "result")
        facts.append(("Result" if is_closed else "So far, not closed", result["headline"]))
        facts += [(counting, " ".join(sentences)) for counting, sentences in result["readings"]]
    return facts


def _journal_words() -> str:
    head = latest_checkpoint()
    if head is None:
        return "Nothing is sealed yet."
    return f"Sealed at {head.size} entries, root {bytes(head.root).hex()}"


urlpatterns: list[URLPattern] = [
    path("samples/", sample_list, name="sample-list"),
    path("samples/new/", sample_new, name="sample-new"),
    path("samples/<int:pk>/", sample, name="sample"),
    path("samples/<int:pk>/verdicts/", sample_verdict, name="sample-verdict"),
    path("samples/<int:pk>/close/", sample_close, name="sample-close"),
    path("samples/<int:pk>/sheet.xlsx", sample_sheet, name="sample-sheet"),
]
