"""What an end does to the cover of a site, by the forecast and by no other rule."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from assessments.queries.cover import Forecast, site_forecasts
from assessments.rules.end_lines import DAY, OTHERWISE, SHORT, Consequence, End, EndsAsked
from assessments.rules.ends import number_words
from competence.models import Site
from competence.rules.cover import Span
from competence.rules.dates import day_at
from competence.rules.gate import StandardFacts


@dataclass
class Known:
    """What is looked up once for a whole list."""

    sites: dict[int, Site]
    category_names: dict[str, str]
    standards: dict[str, tuple[StandardFacts, ...]]
    moment: datetime

    def __post_init__(self) -> None:
        self.site_names = {site.code: site.name for site in self.sites.values()}
        self._today = {site.pk: day_at(self.moment, ZoneInfo(site.zone)) for site in self.sites.values()}
        self._in_force: dict[date, dict[str, StandardFacts]] = {}

    def today(self, site: Site) -> date:
        return self._today[site.pk]

    def in_force(self, today: date) -> dict[str, StandardFacts]:
        if today not in self._in_force:
            self._in_force[today] = {
                code: started[-1]
                for code, versions in self.standards.items()
                if (started := [one for one in versions if one.in_force_from <= today])
            }
        return self._in_force[today]

    def names(self, codes: Iterable[str]) -> tuple[str, ...]:
        return tuple(sorted(self.category_names.get(code, code) for code in codes))

    def serves(self, ticket_codes: Collection[str], category: str, today: date) -> bool:
        """Whether one of these tickets serves for the machines of a category."""
        standard = self.in_force(today).get(category)
        accepts = standard.accepts if standard else frozenset()
        return category in ticket_codes or not accepts.isdisjoint(ticket_codes)


def with_consequences(rows: list[End], sites: list[Site], asked: EndsAsked, known: Known) -> list[End]:
    """The rows of operators, each with what it does to its home site's cover."""
    if not any(row.number for row in rows):
        return rows
    forecasts: dict[str, list[Forecast]] = {}
    covers: dict[tuple[str, str, str], tuple[Span, ...]] = {}
    for site in sites:
        # Two days more than asked: what ends on the last day is missing on the day after it.
        found = site_forecasts(site, moment=known.moment, days=max(asked.days, 1) + 2)
        forecasts[site.code] = [one for one in found if one.minimum]
        for one in forecasts[site.code]:
            for person in one.people:
                covers[site.code, one.category.code, person.number] = person.spans
    told = []
    for row in rows:
        if row.number:
            consequence = _of_loss(row, forecasts[row.site_code], covers, known)
            told.append(replace(row, consequence=consequence))
        else:
            told.append(row)
    return told


def _of_loss(
    row: End, forecasts: list[Forecast], covers: Mapping[tuple[str, str, str], tuple[Span, ...]], known: Known
) -> Consequence:
    """What the cover forecast says of the first day without this person, for each category that they lose."""
    shortages: list[tuple[date, int, str]] = []
    left_words: list[str] = []
    concerned = 0
    for forecast in forecasts:
        first = forecast.horizon.first
        if not known.serves(row.codes, forecast.category.code, first):
            continue
        concerned += 1
        spans = covers.get((row.site_code, forecast.category.code, row.number), ())
        if row.on < first:
            # Ended already: it shows today, unless something else serves.
            without_from = None if any(span.first <= first <= span.last for span in spans) else first
        else:
            without_from = row.on + DAY if any(span.last == row.on for span in spans) else None
        if without_from is None:
            continue
        left = int(forecast.certain[(without_from - first).days])
        name, minimum = forecast.category.name, forecast.minimum
        if left < minimum:
            short = number_words(minimum - left)
            shortages.append((without_from, minimum, _short_words(row, short, minimum, name, without_from)))
        else:
            left_words.append(f"{name}: {left} left, {minimum} needed")
    if shortages:
        shortages.sort()
        return Consequence(SHORT, "; ".join(words for _, _, words in shortages))
    if left_words:
        return Consequence(OTHERWISE, "; ".join(left_words))
    if concerned:
        return Consequence(OTHERWISE, "Changes no cover by itself")
    return Consequence(OTHERWISE, "No minimum is set for it")


def _short_words(row: End, short: str, minimum: int, category: str, day: date) -> str:
    on = f"{day.day} {day:%b}" + ("" if day.year == row.on.year else f" {day.year}")
    if row.days_left < 0:
        return f"{row.site} is {short} short of {minimum} for {category}"
    return f"Leaves {row.site} {short} short of {minimum} for {category} from {on}"
