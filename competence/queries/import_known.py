"""What the register holds of the people that a file tells of, and what earlier files said of them."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import date, datetime
from typing import Any

from competence.models import (
    Category,
    Employer,
    Evidence,
    ImportedRow,
    Operator,
    Site,
    StandardVersion,
    Ticket,
)
from competence.rules.import_people import PERSON_FIELDS, Person
from competence.rules.import_rows import Line
from competence.rules.spreadsheet_columns import folded

AT_ONCE = 5_000
KINDS = ("medical", "induction", "familiarisation")
# A fact as the file says it: kind, site, make and model, the day if it is given, and the day it counts to.
Raw = tuple[str, int | None, str, date | None, date | None]
Triple = tuple[str, date | None, date | None]


class Known:
    """Set-up and every number and name at once; people, tickets and facts for the numbers asked."""

    def __init__(self, moment: datetime) -> None:
        """Five statements."""
        self.moment = moment
        self.sites = {site.code: site for site in Site.objects.all()}
        self.employers = {employer.name: employer for employer in Employer.objects.all()}
        self.categories = {category.code: category for category in Category.objects.all()}
        self.names = {
            number: f"{given} {family}"
            for number, given, family in Operator.objects.order_by("pk").values_list(
                "number", "given_name", "family_name"
            )
        }
        self._standards: dict[str, list[StandardVersion]] = defaultdict(list)
        for version in StandardVersion.objects.select_related("category").order_by("in_force_from"):
            self._standards[version.category.code].append(version)
        self.operators: dict[str, Operator] = {}
        self.tickets: dict[tuple[int, int], Ticket] = {}
        self.ticket_counts: dict[int, int] = defaultdict(int)
        self.said_person: dict[int, dict[str, Any]] = {}
        # What a file last said of a ticket, and what was made of it.
        self.said_ticket: dict[tuple[int, int], tuple[Triple, Triple]] = {}
        self.said_facts: dict[tuple[int, str, int | None, str], Raw] = {}
        self._facts: dict[tuple[int, str, int | None, str], list[Evidence]] = defaultdict(list)

    def standard_on(self, category: str, on: date) -> StandardVersion | None:
        """The version in force on a day; before the first, the first: its term is the one that is known."""
        versions = self._standards.get(category, [])
        in_force = [version for version in versions if version.in_force_from <= on]
        return in_force[-1] if in_force else (versions[0] if versions else None)

    def read_people(self, numbers: Iterable[str], *, locked: bool) -> None:
        for some in _batches(sorted(set(numbers) & self.names.keys())):
            found = Operator.objects.filter(number__in=some).order_by("pk")
            if locked:
                found = found.select_for_update(of=("self",))
            operators = list(found.select_related("state__site", "state__employer"))
            self.operators |= {operator.number: operator for operator in operators}
            keys = [operator.pk for operator in operators]
            for ticket in Ticket.objects.filter(operator__in=keys):
                self.tickets[ticket.operator_id, ticket.category_id] = ticket
                self.ticket_counts[ticket.operator_id] += 1
            facts = Evidence.objects.filter(operator__in=keys, kind__in=KINDS, strikes_out=False)
            for fact in facts.order_by("pk"):
                place = _place(fact.operator_id, fact.kind, fact.site_id, fact.machine_model)
                self._facts[place].append(fact)
            self._read_said(keys)

    def _read_said(self, keys: list[int]) -> None:
        rows = (
            ImportedRow.objects.filter(operator__in=keys)
            .exclude(outcome="left_out")
            .order_by("pk")
            .values_list("operator_id", "category_id", "said")
        )
        for operator, category, said in rows:
            person = {name: value for name, value in said["person"].items() if value}
            if "started_on" in person:
                person["started_on"] = date.fromisoformat(person["started_on"])
            self.said_person.setdefault(operator, {}).update(person)
            if category is not None and said["ticket"] is not None:
                before = self.said_ticket.get((operator, category))
                made = _triple(said["made"]) if said["made"] else (before[1] if before else ("", None, None))
                self.said_ticket[operator, category] = (_triple(said["ticket"]), made)
            for kind, site, model, day, to in said["facts"]:
                raw = (kind, site, model, _day(day), _day(to))
                self.said_facts[_place(operator, kind, site, model)] = raw

    def holds(self, operator: int, raw: Raw) -> bool:
        """Whether the fact is on record, or was said by an earlier file; a row that was corrected since is
        on record too, so that no file brings back what somebody put right."""
        kind, site, model, day, to = raw
        place = _place(operator, kind, site, model)
        if self.said_facts.get(place) == raw:
            return True
        return any(
            (day is None or fact.occurred_on == day) and fact.counts_to == to
            for fact in self._facts.get(place, ())
        )

    def corrected_by(self, operator: int, raw: Raw) -> int | None:
        """The evidence of an earlier file that this puts right, if it does: the same day of a medical with
        another end, or anything that is now said to be earlier. Else it is a further fact."""
        kind, site, model, day, to = raw
        place = _place(operator, kind, site, model)
        before = self.said_facts.get(place)
        if before is None:
            return None
        if kind == "medical":
            is_correction = day == before[3] and (day is not None or (to and before[4] and to < before[4]))
        else:
            is_correction = day is not None and before[3] is not None and day < before[3]
        if not is_correction:
            return None
        corrected = {fact.corrects_id for fact in self._facts[place]}
        for fact in reversed(self._facts[place]):
            is_it = fact.counts_to == before[4] and (before[3] is None or fact.occurred_on == before[3])
            if is_it and fact.pk not in corrected:
                return fact.pk
        return None


def said_of(
    line: Line, person: Person | None, grant: tuple[str, date, date] | None, raws: Iterable[Raw]
) -> dict[str, Any]:
    """What a row said, as plain values, for a later file to be held against; ``person``: all that the file
    says of the person, on the row that brings them in."""
    told = person or line
    said = {name: getattr(told, name) for name in PERSON_FIELDS if getattr(told, name)}
    if "started_on" in said:
        said["started_on"] = said["started_on"].isoformat()
    return {
        "person": said,
        "ticket": [line.level, _text(line.first_day), _text(line.last_day)] if line.has_ticket else None,
        "made": [grant[0], _text(grant[1]), _text(grant[2])] if grant else None,
        "facts": [[kind, site, model, _text(day), _text(to)] for kind, site, model, day, to in raws],
    }


def _place(operator: int, kind: str, site: int | None, model: str) -> tuple[int, str, int | None, str]:
    return operator, kind, site if kind == "induction" else None, folded(model)


def _triple(said: list[str | None]) -> Triple:
    return said[0] or "", _day(said[1]), _day(said[2])


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _text(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _batches(keys: list[str]) -> Iterator[list[str]]:
    for start in range(0, len(keys), AT_ONCE):
        yield keys[start : start + AT_ONCE]
