"""Publishing standards: whole versions, in force from a date, never edited."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from django.db import transaction
from django.db.models import Model

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import (
    AcceptedCategory,
    Account,
    Category,
    MachineState,
    Requirement,
    StandardVersion,
    Ticket,
)
from competence.permissions import Right, require_everywhere
from competence.rules.reasons import long_date


@transaction.atomic
def publish_standard(
    *,
    by: Account,
    category: Category,
    in_force_from: date,
    requirements: Sequence[Mapping[str, Any]],
    accepts: Iterable[Category] = (),
    **terms: Any,
) -> StandardVersion:
    """Publish the next version of a category's standard.

    ``terms``: months, period_end, renewal_window_days, lapse_limit_days, pass_mark, issue_by_another, note.
    ``requirements``: mappings of kind, title and optionally detail, months, hours, recall_level, source.
    """
    require_everywhere(by, Right.KEEP_STANDARDS)
    number = next_number(StandardVersion, category, in_force_from)
    if not requirements:
        raise ActionRefused("A standard without requirements would let anybody through.")
    version = StandardVersion(
        category=category,
        number=number,
        in_force_from=in_force_from,
        recorded_at=now(),
        recorded_by=by,
        **terms,
    )
    version.full_clean()
    version.save()
    accepted = [
        AcceptedCategory.objects.create(version=version, category=other)
        for other in accepts
        if other != category
    ]
    lines = []
    for line in requirements:
        requirement = Requirement(version=version, **line)
        requirement.full_clean()
        requirement.save()
        lines.append(requirement)
    record(by=by, action="standard.published", rows=[version, *accepted, *lines])
    return version


def next_number(
    kind: type[Model],
    category: Category,
    in_force_from: date,
    *,
    is_in_use: Callable[[Category], bool] | None = None,
) -> int:
    """The number of the next version of a category's standard, checklist or other ``kind``.

    A version starts after the one before it, and once anybody can be judged by it (``is_in_use``: unless told
    otherwise, a ticket or a machine of the category is on the register) not before today: a rule that starts
    in the past would judge what people did before they could know it. Until then a new register may be given
    the dated versions that it starts from."""
    # The category's row is the lock: two who publish meet here, and the second sees the first one's version.
    Category.objects.select_for_update().get(pk=category.pk)
    latest = kind.objects.filter(category=category).order_by("-number").first()
    if latest is None:
        return 1
    if in_force_from <= latest.in_force_from:
        raise ActionRefused(
            f"Version {latest.number} starts on {long_date(latest.in_force_from)}; the next starts later.",
            field="in_force_from",
        )
    if in_force_from < now().date() and (is_in_use or judges_somebody)(category):
        raise ActionRefused("A new version starts today or later.", field="in_force_from")
    return latest.number + 1


def judges_somebody(category: Category) -> bool:
    """Whether a version of this category's standard or checklist could be asked about anybody yet."""
    # A daily check, a refusal and a defect each need a machine, so these two are all there is to ask.
    return (
        Ticket.objects.filter(category=category).exists()
        or MachineState.objects.filter(category=category).exists()
    )
