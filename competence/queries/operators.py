"""Operators as a list, and one operator's whole record."""

from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Exists, OuterRef, Prefetch, QuerySet

from competence.models import (
    Account,
    Category,
    Evidence,
    Machine,
    Operator,
    StandardVersion,
    Ticket,
)
from competence.queries.ticket_lists import Names, TicketRow, in_state, ticket_row, today_at, zones
from competence.queries.tickets import hours_words, missing_of
from competence.queries.words import holding
from competence.rules.reasons import long_date
from competence.rules.requirements import LASTING, Finding, Met, Requirement, RequirementKind, Scope, assess
from competence.rules.requirements import Evidence as Fact


@dataclass(frozen=True)
class OperatorsAsked:
    """What a list of operators is narrowed to; empty narrows nothing."""

    text: str = ""
    site: str = ""
    employer: int | None = None
    category: str = ""
    state: str = ""
    active: str = "yes"


def operators_asked(
    asked: OperatorsAsked, site_ids: frozenset[int] | None, moment: datetime
) -> QuerySet[Operator]:
    """The operators that a list asks for, by name. At most one statement here, for the sites' time zones."""
    found = Operator.objects.with_state().at_sites(site_ids)
    found = holding(found, asked.text, "number", "given_name", "family_name")
    if asked.site:
        found = found.filter(state__site__code=asked.site)
    if asked.employer is not None:
        found = found.filter(state__employer_id=asked.employer)
    if asked.active in ("yes", "no"):
        found = found.filter(state__is_active=asked.active == "yes")
    tickets = Ticket.objects.filter(operator=OuterRef("pk"), level__isnull=False)
    if asked.category:
        tickets = tickets.filter(category__code=asked.category)
    if asked.state == "none":
        found = found.filter(~Exists(tickets.filter(is_withdrawn=False)))
    elif asked.state:
        found = found.filter(Exists(tickets.filter(in_state(asked.state, moment, zones()))))
    elif asked.category:
        found = found.filter(Exists(tickets.filter(is_withdrawn=False)))
    return found.prefetch_related(
        Prefetch("tickets", Ticket.objects.select_related("category").order_by("category__name"))
    ).order_by("family_name", "given_name", "number")


@dataclass(frozen=True)
class OperatorRow:
    """One operator of a list, with each ticket's state today at the home site."""

    operator: Operator
    tickets: list[TicketRow]


def operator_rows(operators: list[Operator], moment: datetime, named: Names) -> list[OperatorRow]:
    """No statement, for operators that came from ``operators_asked``."""
    return [
        OperatorRow(o, [ticket_row(t, today_at(o.site, moment), named) for t in o.tickets.all()])
        for o in operators
    ]


def account_of(operator: Operator) -> Account | None:
    return Account.objects.filter(operator=operator).first()


def evidence_of(operator: Operator) -> list[Evidence]:
    """Every row of evidence, corrected ones too, newest first. One statement."""
    return list(
        Evidence.objects.filter(operator=operator)
        .select_related("category", "site", "recorded_by", "corrected_by__recorded_by", "corrects")
        .order_by("-occurred_on", "-pk")
    )


@dataclass(frozen=True)
class EvidenceToShow:
    """Rows of evidence as the record shows them: the newest that counts of each kind and subject, and those
    before it."""

    newest: list[Evidence]
    older: list[Evidence]


def evidence_to_show(evidence: list[Evidence]) -> EvidenceToShow:
    """The rows of ``evidence_of`` parted; what strikes a row out is told beside that row. No statement."""
    newest: dict[tuple, Evidence] = {}
    shown = [row for row in evidence if not row.strikes_out]
    for row in sorted(shown, key=still_counts, reverse=True):
        newest.setdefault((row.kind, row.category_id, row.site_id, row.machine_model), row)
    first = {row.pk for row in newest.values()}
    return EvidenceToShow(
        [row for row in shown if row.pk in first], [row for row in shown if row.pk not in first]
    )


def facts_of(evidence: list[Evidence]) -> list[Fact]:
    """The rows that count now, as the rules see them. No statement."""
    return [
        Fact(
            RequirementKind(row.kind),
            row.occurred_on,
            row.is_met,
            row.counts_to,
            row.hours,
            row.category.code if row.category else None,
            row.site.code if row.site else None,
            row.machine_model or None,
        )
        for row in evidence
        if still_counts(row)
    ]


def still_counts(row: Evidence) -> bool:
    """Whether a row of ``evidence_of`` was neither corrected nor strikes another out. No statement."""
    return not row.strikes_out and not hasattr(row, "corrected_by")


def standards_in_force(on: date) -> dict[int, StandardVersion]:
    """Each category's version in force on a day, by category id, with its lines. Three statements."""
    versions = (
        StandardVersion.objects.filter(in_force_from__lte=on)
        .select_related("category")
        .prefetch_related("requirements", "accepts")
        .order_by("in_force_from", "number")
    )
    return {version.category_id: version for version in versions}


@dataclass(frozen=True)
class Lasting:
    """How one lasting requirement of a held category stands today."""

    category: str
    what: str
    is_met: bool
    says: str


def lasting_of(
    operator: Operator,
    tickets: list[TicketRow],
    standards: dict[int, StandardVersion],
    facts: list[Fact],
    today: date,
) -> list[Lasting]:
    """The lasting requirements of each category held, at the home site and on its machines there.

    One statement, for the makes and models at the home site.
    """
    held = [row.ticket for row in tickets if row.ticket.level and not row.ticket.is_withdrawn]
    models: dict[int, set[str]] = {}
    here = Machine.objects.filter(state__site=operator.site, state__is_in_service=True)
    for category_id, model in here.values_list("state__category_id", "state__make_and_model").distinct():
        models.setdefault(category_id, set()).add(model)
    found: list[Lasting] = []
    for ticket in held:
        standard = standards.get(ticket.category_id)
        if standard is None:
            says = "No version is in force, so every check is refused"
            found.append(Lasting(ticket.category.name, "Standard", False, says))
            continue
        categories = frozenset({ticket.category.code, *(c.code for c in standard.accepts.all())})
        for line in sorted(standard.requirements.all(), key=lambda line: line.pk):
            if RequirementKind(line.kind) not in LASTING:
                continue
            asked = Requirement(RequirementKind(line.kind), line.months, line.hours)
            about = models.get(ticket.category_id, set())
            for what, scope in _scopes(line.title, asked, operator, categories, about):
                finding = assess(asked, facts, scope, today)
                found.append(Lasting(ticket.category.name, what, finding.is_met, finding_words(finding)))
    return found


def _scopes(
    title: str, asked: Requirement, operator: Operator, categories: frozenset[str], models: set[str]
) -> list[tuple[str, Scope]]:
    """A lasting requirement in words, and what it is asked about: each model, the home site, the person."""
    code, started = operator.site.code, operator.started_on
    if asked.kind is RequirementKind.FAMILIARISATION:
        return [(f"{title}: {one}", Scope(categories, code, one, started)) for one in sorted(models)]
    where = f": {operator.site.name}" if asked.kind is RequirementKind.INDUCTION else ""
    return [(f"{title}{where}", Scope(categories, code, "", started))]


def finding_words(finding: Finding) -> str:
    """Met to when; or what is missing."""
    if finding.met is Met.MET:
        return f"Met to {long_date(finding.counts_to)}" if finding.counts_to else "Met"
    if finding.met is Met.FAILED:
        return f"Not passed on {long_date(finding.since)}"
    if finding.met is Met.ENDED:
        return f"Ended on {long_date(finding.since)}"
    if finding.met is Met.SHORT:
        done = hours_words(finding.hours, finding.requirement.hours)
        return f"{done}, due by {long_date(finding.since)}" if finding.since else done
    return f"Was due by {long_date(finding.since)}" if finding.since else "Not on record"


@dataclass(frozen=True)
class Progress:
    """How far somebody is towards a full ticket for one category."""

    category: Category
    standard: StandardVersion
    missing: list[str]
    held: TicketRow | None
    is_begun: bool


def progress_of(operator: Operator, today: date, named: Names) -> list[Progress]:
    """What each category's standard still asks for, nearest first. Five statements."""
    standards = standards_in_force(today)
    facts = facts_of(evidence_of(operator))
    held = {
        ticket.category_id: ticket_row(ticket, today, named)
        for ticket in operator.tickets.select_related("category")
    }
    found = []
    for category_id, standard in standards.items():
        scope = Scope(frozenset({standard.category.code}), operator.site.code, "", operator.started_on)
        lines = sorted(standard.requirements.all(), key=lambda line: line.pk)
        missing = missing_of(lines, facts, scope, on=today, today=today)
        asked = [line for line in lines if RequirementKind(line.kind) not in LASTING]
        ticket = held.get(category_id)
        is_begun = ticket is not None or len(missing) < len(asked) or not asked
        found.append(Progress(standard.category, standard, missing, ticket, is_begun))
    return sorted(found, key=lambda each: (len(each.missing), each.category.name))
