"""Who looked back into the record, and who took what out of it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from competence.models import Account, Look
from competence.queries.timeline import moment_words
from competence.queries.words import MACHINE_OR_OPERATOR, holding


@dataclass(frozen=True)
class LooksAsked:
    """What narrows the list of looks; an empty value narrows nothing. ``by``: a username; ``words``: whom or
    what was looked at."""

    words: str = ""
    by: str = ""
    kind: str = ""
    first_moment: datetime | None = None
    before: datetime | None = None


def looks_asked(asked: LooksAsked, site_ids: frozenset[int] | None) -> QuerySet[Look]:
    """The newest first, at these sites; a look that was about no one site is for every site's eyes
    (``None``). No statement until it is read; then one, and one more for a page's count."""
    found = Look.objects.select_related("by", "operator", "machine", "site")
    if site_ids is not None:
        found = found.filter(site__in=site_ids)
    if asked.by:
        found = found.filter(by__username=asked.by)
    if asked.kind:
        found = found.filter(kind=asked.kind)
    if asked.first_moment is not None:
        found = found.filter(at__gte=asked.first_moment)
    if asked.before is not None:
        found = found.filter(at__lt=asked.before)
    return holding(found, asked.words, *MACHINE_OR_OPERATOR).order_by("-at", "-pk")


def who_looked(site_ids: frozenset[int] | None) -> list[tuple[str, str]]:
    """Everybody who looked at something at these sites, to choose from: username and name. One statement."""
    looks = Look.objects.order_by()
    if site_ids is not None:
        looks = looks.filter(site__in=site_ids)
    people = Account.objects.filter(pk__in=looks.values("by")).order_by("last_name", "first_name", "pk")
    return [(one.username, one.name) for one in people]


def asked_words(look: Look, fallback: ZoneInfo) -> list[str]:
    """What was asked for, in words, its moments on the clock of the site that it was about."""
    zone = ZoneInfo(look.site.zone) if look.site else fallback
    return [f"{name.replace('_', ' ')}: {_said(value, zone)}" for name, value in look.asked.items() if value]


def _said(value: Any, zone: ZoneInfo) -> str:
    if isinstance(value, list):
        return ", ".join(_said(one, zone) for one in value)
    if isinstance(value, dict):
        return ", ".join(f"{name.replace('_', ' ')} {_said(one, zone)}" for name, one in value.items() if one)
    try:
        moment = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return str(value)
    return moment_words(moment, zone) if moment.tzinfo else str(value)
