"""Evidence for several people at once: a toolbox session, an induction, a day of medicals."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.evidence import BY_TRAINER_ONLY, IN_HOURS
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import Account, Category, Evidence, Operator, Site
from competence.permissions import Right, require
from competence.rules.dates import day_at
from competence.rules.reasons import long_date
from competence.rules.requirements import RequirementKind, model_key

# What several people can be shown to have done in one session. Practical, paper, refresher questions and
# supervised hours are each person's own.
FOR_GROUPS = (
    RequirementKind.FAMILIARISATION,
    RequirementKind.INDUCTION,
    RequirementKind.TRAINING_HOURS,
    RequirementKind.REFRESHER,
    RequirementKind.MEDICAL,
)


@transaction.atomic
def record_group_evidence(
    *,
    by: Account,
    operators: Sequence[Operator],
    kind: str,
    occurred_on: date,
    came_from: str,
    category: Category | None = None,
    site: Site | None = None,
    machine_model: str = "",
    counts_to: date | None = None,
    hours: Decimal | None = None,
) -> list[Evidence]:
    """Record the same fact, that a requirement was met, about each of these people: all of them or none.

    One row each, one journal entry for all. Who may not be recorded is refused by name. The same fact a
    second time is refused too, so that a form sent twice counts once: no row holds an id of the sending.
    """
    if kind not in FOR_GROUPS:
        raise ActionRefused("That kind of evidence is recorded person by person.", field="kind")
    if kind in IN_HOURS and not hours:
        raise ActionRefused("Say how many hours.", field="hours")
    people = _locked(operators)
    right = Right.RECORD_ASSESSMENT if kind in BY_TRAINER_ONLY else Right.RECORD_EVIDENCE
    for operator in people:
        require(by, right, site=operator.site)
    refuse_erased(*people)
    moment = now()
    rows = [
        Evidence(
            operator=operator,
            kind=kind,
            occurred_on=occurred_on,
            came_from=came_from,
            category=category,
            site=site,
            machine_model=machine_model,
            counts_to=counts_to,
            hours=hours,
            recorded_at=moment,
            recorded_by=by,
        )
        for operator in people
    ]
    # They differ in nothing but the person, who was read from the register just now.
    rows[0].full_clean()
    _refuse_by_name(by, rows)
    rows = Evidence.objects.bulk_create(rows)
    record(by=by, action="evidence.recorded", rows=rows)
    return rows


def _locked(operators: Sequence[Operator]) -> list[Operator]:
    """Locked, so that of two sendings of one form the second sees what the first one wrote."""
    wanted = {operator.pk for operator in operators}
    if not wanted:
        raise ActionRefused("Tick at least one person.", field="operators")
    locked = Operator.objects.select_for_update(of=("self",)).with_state().order_by("pk")
    return list(locked.filter(pk__in=wanted))


def _refuse_by_name(by: Account, rows: list[Evidence]) -> None:
    on_record = _on_record(rows)
    wrong = []
    for row in rows:
        operator = row.operator
        if operator.pk == by.operator_id:
            wrong.append(f"{operator}: nobody records evidence about themself; ask somebody else.")
        elif row.occurred_on > day_at(row.recorded_at, ZoneInfo(operator.site.zone)):
            wrong.append(f"{operator}: that day is still to come at {operator.site.name}.")
        elif operator.pk in on_record:
            wrong.append(f"{operator}: exactly this is on record already for {long_date(row.occurred_on)}.")
    if wrong:
        raise ValidationError({"operators": wrong})


def _on_record(rows: list[Evidence]) -> set[int]:
    """Of whom the very same fact is on record and counts. One statement."""
    same = rows[0]
    found = Evidence.objects.filter(
        operator__in=[row.operator_id for row in rows],
        kind=same.kind,
        occurred_on=same.occurred_on,
        is_met=same.is_met,
        category=same.category,
        site=same.site,
        counts_to=same.counts_to,
        hours=same.hours,
        came_from=same.came_from,
        strikes_out=False,
        corrected_by__isnull=True,
    )
    model = model_key(same.machine_model)
    return {who for who, what in found.values_list("operator", "machine_model") if model_key(what) == model}
