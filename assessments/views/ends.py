"""What runs out: the list, the same as a file, and a message to those whom it concerns."""

from collections.abc import Iterable
from urllib.parse import quote

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from assessments.outputs.end_table import end_table
from assessments.queries.ends import MOST_SITES, Ends, addressees, ends_asked
from assessments.rules.end_lines import HORIZONS, KINDS, PAST_DAYS, End, EndsAsked
from competence.actions.clock import now
from competence.models import Employer, Operator
from competence.permissions import Right, may, sites_with
from competence.queries.missed_checks import unchecked_lately
from competence.views.doing import asks
from competence.views.files import file_to_keep
from competence.views.front import Part
from competence.views.lists import category_choice, choice, paged, site_choice, typed, whole_number
from competence.views.reading import reads_from_replica

WINDOWS = (*((str(days), f"{days} days") for days in HORIZONS), ("0", f"Ended, last {PAST_DAYS} days"))
USUAL_DAYS = "60"
MOST_ON_START_PAGE = 2000


def _asked(request: HttpRequest) -> EndsAsked:
    days, kind, employer = typed(request, "days"), typed(request, "kind"), typed(request, "employer")
    return EndsAsked(
        days=int(days if days in dict(WINDOWS) else USUAL_DAYS),
        site=typed(request, "site"),
        category=typed(request, "category"),
        employer=whole_number(employer),
        kind=kind if kind in dict(KINDS) else "",
        text=typed(request, "q"),
    )


def _ends(request: HttpRequest) -> tuple[EndsAsked, Ends]:
    asked = _asked(request)
    return asked, ends_asked(asked, sites_with(request.user, Right.SEE_RECORDS), now())


def _ticked(request: HttpRequest, rows: list[End]) -> list[End]:
    """The rows of the people ticked; where nobody was, all of them."""
    operators, accounts = set(request.GET.getlist("operator")), set(request.GET.getlist("account"))
    if not operators and not accounts:
        return rows
    return [row for row in rows if row.number in operators or row.account in accounts - {""}]


@require_GET
@asks(Right.SEE_RECORDS)
@reads_from_replica
def end_list(request: HttpRequest) -> HttpResponse:
    """Everything with an end within the days asked for: by consequence, then by day."""
    site_ids = sites_with(request.user, Right.SEE_RECORDS)
    asked, ends = _ends(request)
    page, query = paged(request, ends.rows)
    employers = Employer.objects.order_by("name").values_list("pk", "name")
    return render(
        request,
        "assessments/ends/list.html",
        {
            "page": page,
            "query": query,
            "asked": asked,
            "ends": ends,
            "window": dict(WINDOWS)[str(asked.days)],
            "most_sites": MOST_SITES,
            "q": asked.text,
            "selects": [
                choice("days", "Ends within", WINDOWS, str(asked.days)),
                site_choice(site_ids, asked.site, "Site"),
                category_choice("Category", asked.category),
                choice("employer", "Employer", employers, str(asked.employer or ""), "Any employer"),
                choice("kind", "What", KINDS, asked.kind, "Everything"),
            ],
            "is_filtered": bool(asked.site or asked.category or asked.employer or asked.kind or asked.text),
            "may_book": may(request.user, Right.BOOK),
            "may_renew": may(request.user, Right.DECIDE_TICKET),
        },
    )


@require_GET
@asks(Right.SEE_RECORDS)
def end_export(request: HttpRequest) -> HttpResponse:
    """The list as a file: of the people ticked, else all of it."""
    _, ends = _ends(request)
    table = end_table(_ticked(request, ends.rows))
    return file_to_keep(table, f"what-runs-out-{now():%Y-%m-%d}.csv", "text/csv; charset=utf-8")


@require_GET
@asks(Right.SEE_RECORDS)
def end_message(request: HttpRequest) -> HttpResponse:
    """Who is to be told, by mail or by a text to copy. Nothing is sent from here."""
    asked, ends = _ends(request)
    people = addressees(_ticked(request, ends.rows))
    subject = "What runs out on your record"
    text = "\n\n".join("\n".join([person.name, *(f"  {line}" for line in person.lines)]) for person in people)
    emails = sorted({person.email for person in people if person.email})
    return render(
        request,
        "assessments/ends/message.html",
        {
            "people": people,
            "emails": emails,
            "without": [person for person in people if not person.email],
            # Addresses are hidden from one another; each reads only that something of theirs ends.
            "mail_url": f"mailto:?bcc={quote(','.join(emails), safe='@,')}&subject={quote(subject)}"
            f"&body={quote(_LETTER)}",
            "text": text,
            "query": request.GET.urlencode(),
            "window": dict(WINDOWS)[str(asked.days)],
        },
    )


_LETTER = (
    "Something on your training record ends soon, or has ended: a ticket, a medical, an induction or a "
    "refresher.\r\n\r\nSign in to the register to see what it is and to which day it counts, and ring the "
    "office to arrange the renewal. Without it you cannot take the machine out.\r\n"
)


def monday_parts(request: HttpRequest) -> Iterable[Part]:
    """What an office should know first: how many things end soon, and how many shifts were worked unchecked.
    Of sites too many for a start page the lists themselves tell."""
    if not may(request.user, Right.KEEP_PEOPLE):
        return
    site_ids, moment = sites_with(request.user, Right.KEEP_PEOPLE), now()
    ends = unchecked = None
    if Operator.objects.at_sites(site_ids).count() <= MOST_ON_START_PAGE:
        ends = len(ends_asked(EndsAsked(days=30), site_ids, moment, with_cover=False).rows)
        unchecked = unchecked_lately(site_ids, moment)
    yield Part("assessments/ends/home_office.html", {"ends": ends, "unchecked": unchecked})


urlpatterns: list[URLPattern] = [
    path("ends/", end_list, name="end-list"),
    path("ends/export/", end_export, name="end-export"),
    path("ends/message/", end_message, name="end-message"),
]
