"""Evidence as the rules see it."""

from collections import defaultdict
from collections.abc import Collection
from datetime import datetime

from django.db.models import QuerySet

from competence.models import Evidence, Operator
from competence.rules.requirements import Evidence as EvidenceFacts
from competence.rules.requirements import RequirementKind


def evidence_facts(
    operators: QuerySet[Operator], *, known_at: datetime, kinds: Collection[RequirementKind]
) -> dict[str, list[EvidenceFacts]]:
    """Evidence by operator number, as corrected by ``known_at``. One statement."""
    rows = (
        Evidence.objects.filter(
            operator__in=operators, kind__in=[kind.value for kind in kinds], recorded_at__lte=known_at
        )
        .order_by()
        .values_list(
            "operator__number",
            "kind",
            "occurred_on",
            "is_met",
            "counts_to",
            "hours",
            "category__code",
            "site__code",
            "machine_model",
            "strikes_out",
            "corrected_by__recorded_at",
        )
    )
    facts: dict[str, list[EvidenceFacts]] = defaultdict(list)
    for number, kind, *columns, model, strikes_out, corrected_at in rows.iterator(chunk_size=5000):
        if strikes_out or (corrected_at is not None and corrected_at <= known_at):
            continue
        facts[number].append(EvidenceFacts(RequirementKind(kind), *columns, model or None))
    return facts
