"""How a list is turned: what narrows it, read from the address, and which page of it is shown."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.core.paginator import Page, Paginator
from django.http import HttpRequest
from django.utils import timezone
from django.utils.dateparse import parse_date

from competence.models import Category
from competence.permissions import Right, sites_with
from competence.queries.sites import sites_for
from competence.rules.dates import first_moment

PAGE_LENGTH = 50
# Years outside these narrow nothing: reckoning with them would leave the calendar.
FIRST_YEAR, LAST_YEAR = 1900, 9000


def paged(request: HttpRequest, rows: Any) -> tuple[Page, str]:
    """The page asked for, and the filter as a query string without it."""
    query = request.GET.copy()
    query.pop("page", None)
    return Paginator(rows, PAGE_LENGTH).get_page(request.GET.get("page")), query.urlencode()


def typed(request: HttpRequest, name: str, default: str = "") -> str:
    """What the address says: a null character is none, and some databases refuse it."""
    return request.GET.get(name, default).replace("\x00", "").strip()[:150]


def day_typed(request: HttpRequest, name: str) -> date | None:
    """The day, or ``None`` for what is no day that a record could be of."""
    try:
        day = parse_date(typed(request, name))
    except ValueError:
        return None
    return day if day and FIRST_YEAR <= day.year <= LAST_YEAR else None


def whole_number(text: str | None, most_digits: int = 9) -> int | None:
    """What was typed as a whole number; ``None`` for anything else. Of more than 18 digits no database takes
    one."""
    return int(text) if text and text.isascii() and text.isdecimal() and len(text) <= most_digits else None


def choice(
    name: str, label: str, options: Iterable[Sequence[Any]], selected: str, every: str = ""
) -> dict[str, Any]:
    """One list of the filter bar; ``every`` is the option that narrows nothing."""
    pairs = ([("", every)] if every else []) + [(str(value), words) for value, words in options]
    return {
        "name": name,
        "label": label,
        "options": [{"value": v, "label": words, "is_selected": v == selected} for v, words in pairs],
    }


def site_choice(site_ids: frozenset[int] | None, selected: str, label: str = "Home site") -> dict[str, Any]:
    sites = sites_for(site_ids).values_list("code", "name")
    return choice("site", label, sites, selected, "Every site")


def category_choice(label: str, selected: str) -> dict[str, Any]:
    categories = Category.objects.order_by("name").values_list("code", "name")
    return choice("category", label, categories, selected, "Any category")


def day_choice(name: str, label: str, day: date | None) -> dict[str, str]:
    """One day of the filter bar."""
    return {"name": name, "label": label, "value": day.isoformat() if day else ""}


@dataclass(frozen=True)
class Span:
    """The days that a list is narrowed to: a moment from which, one before which; as the bar shows them."""

    first_moment: datetime | None
    before: datetime | None
    choices: list[dict[str, str]]


def span_asked(request: HttpRequest, first_label: str = "From", last_label: str = "Up to") -> Span:
    """The days from ``first`` to ``last``, both included, on the clock that the pages are shown in."""
    first, last = day_typed(request, "first"), day_typed(request, "last")
    zone = timezone.get_current_timezone()
    return Span(
        first_moment(first, zone) if first else None,
        first_moment(last + timedelta(days=1), zone) if last else None,
        [day_choice("first", first_label, first), day_choice("last", last_label, last)],
    )


@dataclass(frozen=True)
class Narrowing:
    """What narrows the lists of checks and refusals: what the query takes, and what the filter bar shows."""

    words: str
    site: int | None
    first_moment: datetime | None
    before: datetime | None
    selects: list[dict[str, Any]] = field(default_factory=list)
    dates: list[dict[str, str]] = field(default_factory=list)

    @property
    def asked(self) -> dict[str, Any]:
        names = ("words", "site", "first_moment", "before")
        return {name: getattr(self, name) for name in names}

    @property
    def is_filtered(self) -> bool:
        return any(self.asked.values())


def narrowing(request: HttpRequest, right: Right) -> Narrowing:
    """Read the filter; what is not a day or a site of this account narrows nothing. One statement."""
    options = [(str(site.pk), site.name) for site in sites_for(sites_with(request.user, right))]
    chosen = typed(request, "site")
    if chosen not in dict(options):
        chosen = ""
    span = span_asked(request)
    return Narrowing(
        words=typed(request, "q"),
        site=int(chosen) if chosen else None,
        first_moment=span.first_moment,
        before=span.before,
        selects=[choice("site", "Site", options, chosen, every="Every site")],
        dates=span.choices,
    )
