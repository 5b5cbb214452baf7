"""What a file would change: its lines held against the register. Reads only; ``actions.imports`` writes.

Nothing that somebody did in the register is undone by a file: where the register moved on since a row was
brought in, the register stands and the row is told of.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from competence.models import Operator, Site, Ticket
from competence.queries.import_known import Known, Raw
from competence.queries.import_steps import Fact, PersonStep, Plan, Step, Triple
from competence.rules.dates import OLDEST_YEARS, PeriodEnd, add_months, day_at, period_end
from competence.rules.import_people import (
    FIELD_WORDS,
    PERSON_FIELDS,
    Person,
    one_name_two_numbers,
    people_of,
    refuse_contradictions,
)
from competence.rules.import_rows import Line, Meaning
from competence.rules.reasons import long_date
from competence.rules.spreadsheet_columns import as_text, folded


def plan_import(
    lines: Sequence[Line],
    meaning: Meaning,
    *,
    sites: frozenset[int] | None,
    own: int | None,
    moment: datetime,
    locked: bool = False,
) -> Plan:
    """Hold the lines against the register. ``sites``: where the account keeps people (``None``: everywhere);
    ``own``: the operator that the account itself is. Seven statements, and five for each 5,000 people of the
    file that are on the register. ``locked``: hold those people's rows until the transaction ends."""
    known = Known(moment)
    repeats = {id(line): row for line, row in refuse_contradictions(lines)}
    people = people_of(lines)
    pairs = one_name_two_numbers(
        ((person.number, person.name) for person in people.values()), known.names.items(), meaning.same
    )
    names = known.names | {person.number: person.name for person in people.values()}
    _keep_pairs_aside(lines, pairs, known, names)
    known.read_people({line.number for line in lines if not line.problems}, locked=locked)
    planner = _Planner(known, people, sites, own)
    steps = [planner.step(line, repeats.get(id(line))) for line in lines]
    people_steps = planner.people_steps(lines)
    _name_first(steps, people_steps)
    return Plan(steps, people_steps, pairs, names, known)


def _keep_pairs_aside(
    lines: Iterable[Line], pairs: Iterable[tuple[str, str]], known: Known, names: dict[str, str]
) -> None:
    """Until somebody decides whether they are one person, nobody of a pair is entered anew."""
    other = {}
    for first, second in pairs:
        other.setdefault(second, first)
        if first not in known.names:
            other.setdefault(first, second)
    for line in lines:
        if line.number in other and not line.problems:
            line.problems.append(
                f"{line.number} and {other[line.number]} are both {names[line.number]}: say whether they are "
                "one person."
            )


def _name_first(steps: Iterable[Step], people: dict[str, PersonStep]) -> None:
    """The first good row of a person is told as the one that enters or changes them."""
    seen = set()
    for step in steps:
        number = step.line.number
        if step.line.problems or number in seen:
            continue
        seen.add(number)
        step.brings_person = people[number].is_new
        step.changes_person = bool(people[number].columns) and not people[number].is_new


class _Planner:
    def __init__(
        self, known: Known, people: dict[str, Person], sites: frozenset[int] | None, own: int | None
    ) -> None:
        self.known, self.people, self.sites, self.own = known, people, sites, own
        self.todays: dict[str, date] = {}
        self.facts_seen: set[tuple[str, Fact]] = set()

    def today(self, site: Site) -> date:
        if site.zone not in self.todays:
            self.todays[site.zone] = day_at(self.known.moment, ZoneInfo(site.zone))
        return self.todays[site.zone]

    def step(self, line: Line, repeats: int | None) -> Step:
        step = Step(line, repeats=repeats)
        if line.problems:
            return step
        operator = self.known.operators.get(line.number)
        site = self._site(line, operator)
        if site is None:
            line.problems.append("The file does not say at which site this person works.")
            return step
        self._permission(line, operator, site)
        if line.problems:
            return step
        if operator is not None and folded(operator.name) != folded(self.people[line.number].name):
            self._name_differs(line, operator)
        if line.has_ticket and repeats is None:
            self._ticket(step, operator, site)
        self._facts(step, operator, site)
        return step

    def _site(self, line: Line, operator: Operator | None) -> Site | None:
        said = line.site or self.people[line.number].site
        if said:
            return self.known.sites.get(said)
        return operator.site if operator else None

    def _permission(self, line: Line, operator: Operator | None, site: Site) -> None:
        places = {site.pk: site, **({operator.site.pk: operator.site} if operator else {})}
        for key, place in places.items():
            if self.sites is not None and key not in self.sites:
                line.problems.append(f"You keep no people at {place.name}: its site admin brings this in.")
        if operator is not None and operator.pk == self.own:
            line.problems.append("Nobody brings in their own tickets and evidence; another site admin does.")

    def _name_differs(self, line: Line, operator: Operator) -> None:
        before = self.known.said_person.get(operator.pk, {})
        was = f"{before.get('given_name', '')} {before.get('family_name', '')}".strip()
        now_said = self.people[line.number].name
        if folded(was) in (folded(now_said), folded(operator.name)):
            return
        line.problems.append(
            f"{operator.number} is {operator.name} on the register; the file says {now_said}. If it is the "
            "same person, correct the name in one of the two."
        )

    def _ticket(self, step: Step, operator: Operator | None, site: Site) -> None:
        line, today = step.line, self.today(site)
        step.category = category = self.known.categories[line.category]
        ticket = self.known.tickets.get((operator.pk, category.pk)) if operator else None
        step.ticket = ticket
        said: Triple = (line.level, line.first_day, line.last_day)
        before = self.known.said_ticket.get((operator.pk, category.pk)) if operator else None
        if ticket is not None and before is not None and before[0] == said:
            return
        grant = self._grant(step, ticket, today)
        if grant is None or line.problems:
            return
        if ticket is None or self._may_change(line, ticket, before, grant):
            step.grant = grant

    def _grant(self, step: Step, ticket: Ticket | None, today: date) -> tuple[str, date, date] | None:
        """The level and days of the ticket; a day that the file does not give is the safe one: the first day
        is today, the latest that it can have been, and the last is the end of one term."""
        line = step.line
        first = line.first_day or min(today, line.last_day or today)
        if line.first_day is None and ticket is not None and ticket.first_day is not None:
            first = min(ticket.first_day, line.last_day or ticket.first_day)
        elif line.first_day is None:
            line.remarks.append(
                f"The file gives no first day of the ticket; it counts from {long_date(first)}."
            )
        step.standard = standard = self.known.standard_on(line.category, first)
        if standard is None:
            line.remarks.append("No standard is in force for this category: until one is, no ticket counts.")
            if line.last_day is None:
                line.problems.append("There is no last day, and no standard that says how long it runs.")
                return None
            return line.level, first, line.last_day
        ends = PeriodEnd(standard.period_end)
        term = period_end(first, standard.months, ends)
        last = line.last_day
        if last is None:
            last = term
            line.remarks.append(f"The file gives no last day; one term runs to {long_date(last)}.")
        if first < add_months(today, -12 * OLDEST_YEARS):
            line.problems.append(f"The ticket's first day is more than {OLDEST_YEARS} years ago.")
        furthest = period_end(max(first, today), standard.months, ends)
        if last > furthest:
            line.problems.append(
                f"The ticket would run to {long_date(last)}; by the standard it can run to "
                f"{long_date(furthest)} at most."
            )
        elif last > term and ticket is None:
            line.remarks.append("It runs longer than one term from its first day; taken as renewed since.")
        return line.level, first, last

    def _may_change(
        self, line: Line, ticket: Ticket, before: tuple[Triple, Triple] | None, grant: tuple[str, date, date]
    ) -> bool:
        """Whether the file changes a ticket that is held: only where the register still says what an earlier
        file made of it."""
        held: Triple = (ticket.level or "", ticket.first_day, ticket.last_day)
        given = (line.level, line.first_day or held[1], line.last_day or held[2])
        if given == held and not ticket.is_withdrawn and not ticket.is_suspended:
            return False
        if ticket.level is None or ticket.is_withdrawn or ticket.is_suspended:
            line.problems.append(f"Ticket {ticket.number} is {_stopped(ticket)}; a trainer decides on it.")
            return False
        if before is None or before[1] != held:
            line.problems.append(
                f"Ticket {ticket.number} is {held[0]} level, {long_date(ticket.first_day)} to "
                f"{long_date(ticket.last_day)}, and no earlier file made it so: the register stands. A "
                "trainer renews or varies it."
            )
            return False
        return grant != held

    def _facts(self, step: Step, operator: Operator | None, site: Site) -> None:
        line, today = step.line, self.today(site)
        for day, what in (
            (line.medical_on, "medical"),
            (line.induction_on, "induction"),
            (line.model_on, "familiarisation"),
        ):
            if day and day > today:
                line.problems.append(f"The {what} of {long_date(day)} is still to come.")
            elif day and day < add_months(today, -12 * OLDEST_YEARS):
                line.problems.append(f"The {what} is more than {OLDEST_YEARS} years ago.")
        if line.problems:
            return
        for raw, fact, remark in _told_facts(line, site, today):
            step.raws.append(raw)
            if (line.number, fact) in self.facts_seen:
                continue
            self.facts_seen.add((line.number, fact))
            if operator is not None and self.known.holds(operator.pk, raw):
                continue
            corrects = self.known.corrected_by(operator.pk, raw) if operator is not None else None
            step.facts.append((fact, corrects))
            if remark:
                line.remarks.append(remark)

    def people_steps(self, lines: Sequence[Line]) -> dict[str, PersonStep]:
        """Every person of whom a row is left; one of whom too little is said loses those rows too."""
        people = people_of(lines)
        of_number = defaultdict(list)
        for line in lines:
            if not line.problems:
                of_number[line.number].append(line)
        steps = {}
        for number, own_lines in of_number.items():
            step = PersonStep(people[number], self.known.operators.get(number))
            problems = self._new(step) if step.is_new else self._held(step, own_lines[0])
            for line in own_lines:
                line.problems += problems
            if not problems:
                steps[number] = step
        return steps

    def _new(self, step: PersonStep) -> list[str]:
        person = step.person
        started = person.started_on or person.earliest
        missing = [
            words for name, words in FIELD_WORDS.items() if name != "started_on" and not getattr(person, name)
        ]
        if started is None:
            missing.append(FIELD_WORDS["started_on"])
        if missing:
            return [f"{person.number} is new, and the file does not say {', '.join(missing)}."]
        site = self.known.sites[person.site]
        if problem := self._start_problem(site, started):
            return [problem]
        step.columns = {
            "given_name": person.given_name,
            "family_name": person.family_name,
            "employer": self.known.employers[person.employer],
            "site": site,
            "started_on": started,
        }
        return []

    def _start_problem(self, site: Site, started: date) -> str:
        today = self.today(site)
        if started > add_months(today, 12):
            return "The first day at work is more than a year ahead."
        if started < add_months(today, -12 * OLDEST_YEARS):
            return f"The first day at work is more than {OLDEST_YEARS} years ago."
        return ""

    def _held(self, step: PersonStep, line: Line) -> list[str]:
        """What the file says otherwise than last time, where the register still says what it said then."""
        person, operator = step.person, step.operator
        before = self.known.said_person.get(operator.pk, {})
        held = {
            "given_name": operator.given_name,
            "family_name": operator.family_name,
            "employer": operator.state.employer.name,
            "site": operator.site.code,
            "started_on": operator.started_on,
        }
        for name in PERSON_FIELDS:
            said = getattr(person, name)
            if not said or said == held[name] or said == before.get(name):
                continue
            if isinstance(said, str) and folded(said) == folded(str(held[name])):
                continue
            if before.get(name) != held[name]:
                line.remarks.append(
                    f"The register says {FIELD_WORDS[name]} is {as_text(held[name])}, the file "
                    f"{as_text(said)}; left as the register says."
                )
                continue
            step.columns[name] = self._as_row(name, said)
        started = step.columns.get("started_on")
        problem = self._start_problem(operator.site, started) if started else ""
        return [problem] if problem else []

    def _as_row(self, name: str, said: Any) -> Any:
        if name == "employer":
            return self.known.employers[said]
        return self.known.sites[said] if name == "site" else said


def _stopped(ticket: Ticket) -> str:
    if ticket.level is None:
        return "struck out"
    return "withdrawn" if ticket.is_withdrawn else "suspended"


def _told_facts(line: Line, site: Site, today: date) -> Iterable[tuple[Raw, Fact, str]]:
    """Each fact as said and as kept: one without a day is dated the latest day that it can be of."""
    if line.medical_on or line.medical_to:
        day = line.medical_on or min(today, line.medical_to or today)
        yield (
            ("medical", None, "", line.medical_on, line.medical_to),
            ("medical", None, "", day, line.medical_to),
            "" if line.medical_on else f"The file gives no day of the medical; it is dated {long_date(day)}.",
        )
    if line.induction_on:
        raw = ("induction", site.pk, "", line.induction_on, None)
        yield raw, ("induction", site.pk, "", line.induction_on, None), ""
    if line.model:
        day = line.model_on or today
        yield (
            ("familiarisation", None, line.model, line.model_on, None),
            ("familiarisation", None, line.model, day, None),
            "" if line.model_on else f"The file gives no day of the familiarisation; it is {long_date(day)}.",
        )
