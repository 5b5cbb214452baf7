"""Machines that worked without a daily check: the strip of days, and how to say that a machine worked."""

from dataclasses import dataclass
from datetime import date

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET

from competence.actions.clock import now
from competence.actions.uses import Recorded, record_use, record_uses
from competence.forms.uses import UsageFileForm, UseForm
from competence.permissions import Right, may, sites_with
from competence.queries.missed_checks import MachineStrip, SiteStrips, site_strips
from competence.queries.sites import sites_for
from competence.rules.missed_checks import DayState, MachineDay, Use
from competence.views.doing import asks, attempt
from competence.views.lists import choice, typed

SPANS = (("14", "14 days"), ("28", "28 days"))
# A letter and a word for each state: colour only repeats them.
LETTERS = {
    DayState.WORKED_STOPPED: ("W", "worked with a stop-use defect open"),
    DayState.UNCHECKED: ("U", "worked unchecked"),
    DayState.MOVED: ("H", "hours moved that no check explains"),
    DayState.STOPPED: ("S", "stop-use defect open"),
    DayState.REFUSED: ("R", "somebody was refused"),
    DayState.CHECKED: ("C", "checked"),
    DayState.UNKNOWN: ("·", "nothing known"),
}


@dataclass(frozen=True)
class Cell:
    """One day of one machine as it is drawn. ``also``: the letters of what else holds that day."""

    on: date
    state: str
    letter: str
    also: str
    words: str
    url: str


@dataclass(frozen=True)
class Row:
    """One machine's line of the strip, and what of it is to be looked into."""

    strip: MachineStrip
    cells: list[Cell]
    lines: list[str]


@require_GET
@asks(Right.SEE_CHECKS)
def missed_check_list(request: HttpRequest) -> HttpResponse:
    """Every machine of one site, day by day, the worst first."""
    site_ids = sites_with(request.user, Right.SEE_CHECKS)
    sites = list(sites_for(site_ids))
    asked, span = typed(request, "site"), typed(request, "days")
    span = span if span in dict(SPANS) else SPANS[0][0]
    site = next((one for one in sites if one.code == asked), sites[0] if sites else None)
    strips = site_strips(site, now(), days=int(span), sites_seen=site_ids) if site else None
    return render(
        request,
        "competence/missed_checks/list.html",
        {
            "site": site,
            "strips": strips,
            "rows": _rows(strips) if strips else [],
            "totals": _totals(strips) if strips else [],
            "key": [(state.value, *LETTERS[state]) for state in DayState],
            "span": dict(SPANS)[span],
            "selects": [
                choice("site", "Site", [(one.code, one.name) for one in sites], site.code if site else ""),
                choice("days", "Look back", SPANS, span),
            ],
            "may_record": may(request.user, Right.KEEP_PLANT),
        },
    )


def _totals(strips: SiteStrips) -> list[tuple[int, str]]:
    return [
        (strips.unchecked, f"worked unchecked, of {_counted(strips.worked, 'recorded shift')}"),
        (strips.worked_stopped, "worked with a stop-use defect open"),
        (strips.days_of(DayState.MOVED), "days on which hours may have moved unexplained"),
        (strips.refusals, "times somebody was refused"),
    ]


def _counted(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _rows(strips: SiteStrips) -> list[Row]:
    return [
        Row(
            strip,
            [_cell(strip, day) for day in strip.days],
            [line for day in reversed(strip.days) for line in _to_look_into(day)],
        )
        for strip in strips.strips
    ]


def _cell(strip: MachineStrip, day: MachineDay) -> Cell:
    return Cell(
        day.on,
        day.worst.value,
        LETTERS[day.worst][0],
        # A cell is as wide as two more letters; its words name all.
        "".join(LETTERS[state][0] for state in day.states[1:3]),
        ", ".join(LETTERS[state][1] for state in day.states),
        _way(strip, day),
    )


def _way(strip: MachineStrip, day: MachineDay) -> str:
    """Where a cell leads: to the record behind its worst state; for what has none, to the line below."""
    look = f"#look-{strip.machine.fleet_number}"
    match day.worst:
        case DayState.WORKED_STOPPED | DayState.STOPPED:
            return reverse("defect", args=[day.stops[0].key])
        case DayState.UNCHECKED | DayState.MOVED:
            return look
        case DayState.REFUSED:
            return _seen(strip, "refusal", day.refusals[0].key)
        case DayState.CHECKED:
            return _seen(strip, "check-result", day.checks[0].key)
    return ""


def _seen(strip: MachineStrip, name: str, key: str) -> str:
    return reverse(name, args=[key]) if key in strip.seen else ""


def _to_look_into(day: MachineDay) -> list[str]:
    """What happened on a day that should not have, in words."""
    on = f"{day.on:%a} {day.on.day} {day.on:%b}"
    lines = [
        f"{on}, {_use_words(use)}: a stop-use defect was open all through." for use in day.worked_stopped
    ]
    lines += [f"{on}, {_use_words(use)}: no daily check before it." for use in day.unchecked]
    # Told once, on the last of the days that it may have been.
    if day.moved and (day.moved.before.slot.on - day.on).days == 1:
        first, last = day.moved.after.slot.on, day.moved.before.slot.on
        lines.append(
            f"{first.day} {first:%b} to {last.day} {last:%b}, between two checks: the meter moved "
            f"{day.moved.hours} h more than they and the recorded shifts explain. On which days is not known."
        )
    return lines


def _use_words(use: Use) -> str:
    return f"{use.hours} h on {f'the {use.shift} shift' if use.shift else 'a shift not named'}"


@asks(Right.KEEP_PLANT)
def use_record(request: HttpRequest) -> HttpResponse:
    """Say which machines worked: by a file, or one shift."""
    site_ids = sites_with(request.user, Right.KEEP_PLANT)
    is_file = request.POST.get("what") == "file"
    is_one = request.method == "POST" and not is_file
    file_form = UsageFileForm(
        request.POST if is_file else None,
        request.FILES if is_file else None,
        site_ids=site_ids,
        prefix="file",
    )
    one_form = UseForm(request.POST if is_one else None, site_ids=site_ids, prefix="one")
    recorded = None
    if is_file and file_form.is_valid():
        recorded = attempt(
            file_form,
            record_uses,
            by=request.user,
            lines=file_form.lines,
            source=f"File {file_form.cleaned_data['file'].name}"[:200],
            replaces=file_form.cleaned_data["replaces"],
        )
    elif is_one and one_form.is_valid():
        recorded = attempt(one_form, record_use, by=request.user, **one_form.cleaned_data)
    if recorded:
        messages.success(request, _recorded_words(recorded))
        return redirect("missed-check-list")
    return render(
        request, "competence/missed_checks/record.html", {"file_form": file_form, "one_form": one_form}
    )


def _recorded_words(recorded: Recorded) -> str:
    parts = [f"{_counted(recorded.added, 'shift')} recorded"]
    if recorded.corrected:
        parts.append(f"{recorded.corrected} put right")
    if recorded.known:
        parts.append(f"{recorded.known} known already and left as they are")
    return ", ".join(parts) + "."


urlpatterns: list[URLPattern] = [
    path("missed-checks/", missed_check_list, name="missed-check-list"),
    path("missed-checks/uses/", use_record, name="use-record"),
]
