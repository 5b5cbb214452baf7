"""What a workbook is asked for, and what narrows its sheets: a slice of the register as of one moment, as
known at another."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from django.db.models import Min, OuterRef, Q, QuerySet, Subquery

from competence.models import (
    Category,
    Employer,
    Feature,
    JournalEntry,
    MachineState,
    OperatorState,
    Site,
    TicketEvent,
)
from competence.rules.dates import first_moment
from competence.rules.reasons import long_date

Rows = TypeVar("Rows", bound=QuerySet)

# Rows that are read from the database at a time, so that memory does not grow with what is read.
CHUNK = 2000


class CannotAnswer(ValueError):
    """The register holds nothing of what is asked; its own text is a sentence for the screen. ``field``: of
    the form, where one of its fields is to blame."""

    def __init__(self, sentence: str, field: str | None = None) -> None:
        super().__init__(sentence)
        self.field = field


@dataclass(frozen=True)
class Slice:
    """Which part of the register, as of when. ``site_ids``: ``None`` is every site. An event with one moment
    of its own was known as soon as it happened; it is in the slice up to the earlier of the two."""

    at: datetime
    known_at: datetime
    zone: str
    site_ids: frozenset[int] | None = None
    employer: int | None = None
    category: int | None = None
    first: date | None = None
    last: date | None = None

    @property
    def both(self) -> datetime:
        """Up to when something must have happened that was written down as it happened."""
        return min(self.at, self.known_at)

    @property
    def clock(self) -> ZoneInfo:
        return ZoneInfo(self.zone)

    @property
    def on(self) -> date:
        """The day of ``at`` on the workbook's clock."""
        return self.at.astimezone(self.clock).date()

    def happened(self, column: str) -> Q:
        """Moments in ``column`` that lie in the days asked about, and in the past of both moments."""
        asked = Q((f"{column}__lte", self.both))
        return asked & self.within(column)

    def within(self, column: str) -> Q:
        """Moments in ``column`` that lie in the days asked about, on the workbook's clock."""
        asked = Q()
        if self.first is not None:
            asked &= Q((f"{column}__gte", first_moment(self.first, self.clock)))
        if self.last is not None:
            asked &= Q((f"{column}__lt", first_moment(self.last + timedelta(days=1), self.clock)))
        return asked

    def within_days(self, column: str) -> Q:
        """Days in ``column`` that lie among those asked about."""
        asked = Q()
        if self.first is not None:
            asked &= Q((f"{column}__gte", self.first))
        if self.last is not None:
            asked &= Q((f"{column}__lte", self.last))
        return asked

    def at_sites(self, column: str) -> Q:
        return Q() if self.site_ids is None else Q((f"{column}__in", self.site_ids))


def states_then(asked: Slice, operator: str) -> QuerySet[OperatorState]:
    """The states of an outer row's operator as known then, the one that held first."""
    return OperatorState.objects.filter(
        operator=OuterRef(operator), effective_at__lte=asked.at, recorded_at__lte=asked.known_at
    ).order_by("-effective_at", "-recorded_at", "-pk")


def narrowed_states(asked: Slice) -> QuerySet[OperatorState]:
    """The state of each operator of the slice's sites and employer that held then."""
    found = OperatorState.objects.filter(pk=Subquery(states_then(asked, "operator").values("pk")[:1]))
    found = found.filter(asked.at_sites("site_id"))
    return found if asked.employer is None else found.filter(employer=asked.employer)


def of_people_then(rows: Rows, asked: Slice, operator: str = "operator") -> Rows:
    """Rows about people who belonged to the slice's sites and employer at its moment; each with ``home`` and
    ``firm``, the keys of the site and the employer. The people are found once, not once for every row."""
    states = states_then(asked, operator)
    rows = rows.annotate(
        home=Subquery(states.values("site_id")[:1]), firm=Subquery(states.values("employer_id")[:1])
    )
    if asked.site_ids is None and asked.employer is None:
        return rows
    return rows.filter((f"{operator}__in", narrowed_states(asked).values("operator")))


def employed_then(rows: Rows, asked: Slice, operator: str = "operator") -> Rows:
    """Rows about people whom the slice's employer employed at its moment; all, where it names none."""
    if asked.employer is None:
        return rows
    anywhere = replace(asked, site_ids=None)
    return rows.filter((f"{operator}__in", narrowed_states(anywhere).values("operator")))


@dataclass(frozen=True)
class Names:
    """What rows name by key: sites, employers and categories by primary key, and by code for conditions."""

    sites: Mapping[int, Site]
    employers: Mapping[int, str]
    categories: Mapping[int, str]
    site_names: Mapping[str, str]
    attachments: Mapping[str, str]

    def site(self, key: int | None) -> str:
        return self.sites[key].name if key in self.sites else ""

    def clock(self, key: int | None) -> ZoneInfo:
        return ZoneInfo(self.sites[key].zone if key in self.sites else "UTC")


def names() -> Names:
    """Four statements."""
    sites = Site.objects.in_bulk()
    return Names(
        sites,
        dict(Employer.objects.values_list("pk", "name")),
        dict(Category.objects.values_list("pk", "name")),
        {site.code: site.name for site in sites.values()},
        dict(Feature.objects.values_list("code", "name")),
    )


def zone_of(site_ids: frozenset[int] | None) -> str:
    """The clock of a workbook: that of its sites where they share one, else UTC. One statement."""
    sites = Site.objects.all() if site_ids is None else Site.objects.filter(pk__in=site_ids)
    zones = set(sites.order_by().values_list("zone", flat=True).distinct())
    return zones.pop() if len(zones) == 1 else "UTC"


@dataclass(frozen=True)
class Beginning:
    """The first moment of which the register holds anything, and the first at which it knew anything."""

    of_facts: datetime
    of_knowledge: datetime


def beginning() -> Beginning | None:
    """Since when the register can answer; ``None`` for an empty one. Four statements."""
    happened, known = [], []
    for model in (OperatorState, MachineState, TicketEvent):
        first = model.objects.aggregate(happened=Min("effective_at"), known=Min("recorded_at"))
        happened.append(first["happened"])
        known.append(first["known"])
    known.append(JournalEntry.objects.aggregate(first=Min("at"))["first"])
    facts = [one for one in happened if one is not None]
    knowledge = [one for one in known if one is not None]
    return Beginning(min(facts), min(knowledge)) if facts and knowledge else None


def refuse_unanswerable(asked: Slice, now: datetime) -> None:
    """Raise ``CannotAnswer`` for a moment that the register holds nothing of. Four statements."""
    if asked.first and asked.last and asked.last < asked.first:
        raise CannotAnswer("The last day is before the first.", "last")
    if asked.at > now:
        raise CannotAnswer("A workbook tells what was. Choose now or an earlier moment.", "at")
    if asked.known_at > now:
        raise CannotAnswer(
            "Nobody knows yet what the register will say. Choose now or an earlier moment.", "known_at"
        )
    began = beginning()
    if began is None:
        raise CannotAnswer("The register is empty: there is nothing to take out.")
    if asked.at < began.of_facts:
        raise CannotAnswer(
            f"The register can answer since {_said(began.of_facts, asked.clock)}; nothing it holds is older.",
            "at",
        )
    if asked.known_at < began.of_knowledge:
        raise CannotAnswer(
            f"The register began on {_said(began.of_knowledge, asked.clock)}; it knew nothing before.",
            "known_at",
        )


def _said(moment: datetime, clock: ZoneInfo) -> str:
    local = moment.astimezone(clock)
    return f"{long_date(local.date())} at {local:%H:%M} ({clock.key})"


def as_plain(asked: Slice) -> dict[str, Any]:
    """A slice as JSON can hold it."""
    return {
        "at": asked.at.astimezone(UTC).isoformat(),
        "known_at": asked.known_at.astimezone(UTC).isoformat(),
        "zone": asked.zone,
        "sites": None if asked.site_ids is None else sorted(asked.site_ids),
        "employer": asked.employer,
        "category": asked.category,
        "first": asked.first.isoformat() if asked.first else None,
        "last": asked.last.isoformat() if asked.last else None,
    }


def from_plain(plain: Mapping[str, Any]) -> Slice:
    return Slice(
        at=datetime.fromisoformat(plain["at"]),
        known_at=datetime.fromisoformat(plain["known_at"]),
        zone=plain["zone"],
        site_ids=None if plain["sites"] is None else frozenset(plain["sites"]),
        employer=plain["employer"],
        category=plain["category"],
        first=date.fromisoformat(plain["first"]) if plain["first"] else None,
        last=date.fromisoformat(plain["last"]) if plain["last"] else None,
    )


def in_words(asked: Slice, named: Names) -> list[tuple[str, str]]:
    """What narrows the slice, for its front sheet and the screen. No statement."""
    sites = "Every site"
    if asked.site_ids is not None:
        sites = ", ".join(sorted(str(named.sites[key]) for key in asked.site_ids)) or "No site"
    return [
        ("Sites", sites),
        ("Employer", "Every employer" if asked.employer is None else named.employers[asked.employer]),
        ("Category", "Every category" if asked.category is None else named.categories[asked.category]),
        ("Days", _days_in_words(asked)),
    ]


def _days_in_words(asked: Slice) -> str:
    if asked.first and asked.last:
        return f"{long_date(asked.first)} to {long_date(asked.last)}"
    if asked.first:
        return f"From {long_date(asked.first)}"
    return f"To {long_date(asked.last)}" if asked.last else "All"
