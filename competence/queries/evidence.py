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
    """Evidence by operator number, as corrected by ``known_at``. One statement.

    A correction is about the same person and kind as what it corrects, so both are among the rows read.
    """
    rows = (
        Evidence.objects.filter(
            operator__in=operators, kind__in=[kind.value for kind in kinds], recorded_at__lte=known_at
        )
        .order_by()
        .values_list(
            "pk",
            "corrects_id",
            "strikes_out",
            "operator__number",
            "kind",
            "occurred_on",
            "is_met",
            "counts_to",
            "hours",
            "category__code",
            "site__code",
            "machine_model",
        )
    )
    facts: dict[int, tuple[str, EvidenceFacts]] = {}
    replaced: set[int] = set()
    for key, corrects, strikes_out, number, kind, *columns, model in rows.iterator(chunk_size=5000):
        if corrects is not None:
            replaced.add(corrects)
        if not strikes_out:
            facts[key] = number, EvidenceFacts(RequirementKind(kind), *columns, model or None)
    by_number: dict[str, list[EvidenceFacts]] = defaultdict(list)
    for key, (number, fact) in facts.items():
        if key not in replaced:
            by_number[number].append(fact)
    return by_number
