"""Everybody at a site against every machine there: the facts for the roster."""

from collections import defaultdict
from datetime import datetime
from typing import Any

from django.db.models import OuterRef, Subquery

from competence.models import MachineState, Operator, Site, StandardVersion
from competence.queries.gate import attachments_of_state, machine_facts, people_facts, standards_from
from competence.rules.gate import PersonFacts, StandardFacts
from competence.rules.roster import Asked


def site_roster(site: Site, *, at: datetime, known_at: datetime) -> tuple[list[PersonFacts], list[Asked]]:
    """The operators whose home site it is, and the machines that stood there, by number. Five statements."""
    at_home = Operator.objects.filter(state__site=site)
    people = people_facts(at_home, at=at, known_at=known_at)
    standards = known_standards(known_at)
    newest = (
        MachineState.objects.filter(
            machine=OuterRef("machine"), effective_at__lte=at, recorded_at__lte=known_at
        )
        .order_by("-effective_at", "-recorded_at", "-pk")
        .values("pk")[:1]
    )
    states = (
        MachineState.objects.filter(site=site, pk=Subquery(newest))
        .select_related("machine", "site", "category")
        .annotate(attachment_rows=attachments_of_state())
        .order_by("machine__fleet_number")
    )
    machines = [(machine_facts(state), standards.get(state.category.code, ())) for state in states]
    return [people[number] for number in sorted(people)], machines


def known_standards(known_at: datetime) -> dict[str, tuple[StandardFacts, ...]]:
    """Every known version of every standard, by category code. Two statements."""
    versions = StandardVersion.objects.filter(recorded_at__lte=known_at).order_by()
    lines: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for code, number, start, *line in versions.values_list(
        "category__code",
        "number",
        "in_force_from",
        "requirements__kind",
        "requirements__months",
        "requirements__hours",
        "requirements__recall_level",
    ):
        row = {"number": number, "in_force_from": start.isoformat()}
        lines[code].append(row | dict(zip(("kind", "months", "hours", "recall_level"), line, strict=True)))
    accepted: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for code, number, other in versions.filter(accepted__isnull=False).values_list(
        "category__code", "number", "accepted__category__code"
    ):
        accepted[code].append({"number": number, "code": other})
    return {code: standards_from(rows, accepted[code]) for code, rows in lines.items()}
