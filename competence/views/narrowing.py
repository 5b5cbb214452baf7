"""What narrows the lists of checks and refusals: site, days and words, read from the address."""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest
from django.utils import timezone

from competence.models import Site
from competence.permissions import Right, sites_with
from competence.rules.dates import first_moment
from competence.views.people_doing import choice


@dataclass(frozen=True)
class Narrowing:
    """A list's filter: what the query takes, and what components/filter_bar.html shows."""

    words: str
    site: int | None
    first_day: datetime | None
    before: datetime | None
    selects: list[dict[str, Any]] = field(default_factory=list)
    dates: list[dict[str, Any]] = field(default_factory=list)

    @property
    def asked(self) -> dict[str, Any]:
        return {
            "words": self.words,
            "site": self.site,
            "first_day": self.first_day,
            "before": self.before,
        }

    @property
    def is_filtered(self) -> bool:
        return any((self.words, self.site, self.first_day, self.before))


def narrowing(request: HttpRequest, right: Right) -> Narrowing:
    """Read the filter. Days run on the clock that the pages are shown in; what is not a day or a site of
    this account narrows nothing. One statement."""
    allowed = sites_with(request.user, right)
    sites = Site.objects.order_by("name")
    if allowed is not None:
        sites = sites.filter(pk__in=allowed)
    options = [(str(site.pk), site.name) for site in sites]
    chosen = request.GET.get("site", "")
    if chosen not in dict(options):
        chosen = ""
    first, last = _day(request, "from"), _day(request, "to")
    zone = timezone.get_current_timezone()
    return Narrowing(
        words=typed(request, "q"),
        site=int(chosen) if chosen else None,
        first_day=first_moment(first, _zone(zone)) if first else None,
        before=first_moment(last + timedelta(days=1), _zone(zone)) if last else None,
        selects=[choice("site", "Site", options, chosen, every="Every site")],
        dates=[
            {"name": "from", "label": "From", "value": first.isoformat() if first else ""},
            {"name": "to", "label": "To", "value": last.isoformat() if last else ""},
        ],
    )


def typed(request: HttpRequest, name: str) -> str:
    """Words from the address: a null character is none, and some databases refuse it."""
    return request.GET.get(name, "").replace("\x00", "").strip()[:100]


def _zone(zone: Any) -> ZoneInfo:
    return zone if isinstance(zone, ZoneInfo) else ZoneInfo("UTC")


def _day(request: HttpRequest, name: str) -> date | None:
    try:
        day = date.fromisoformat(request.GET.get(name, ""))
    except ValueError:
        return None
    # The calendar's own ends have no day before or after them.
    return day if 1900 < day.year < 9000 else None
