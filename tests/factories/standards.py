"""Standards, their requirements, and the evidence that meets them."""

from datetime import timedelta
from typing import Any

import factory

from competence.models import AcceptedCategory, Category, Evidence, Requirement, StandardVersion

from .base import RowFactory, at_ago, day_ago, days_ago
from .people import OperatorFactory
from .plant import CategoryFactory

PLAIN_REQUIREMENTS: dict[str, dict[str, Any]] = {
    "practical": {},
    "paper": {},
    "medical": {"months": 24},
    "induction": {},
    "familiarisation": {},
}


class StandardVersionFactory(RowFactory):
    """The category's next version, in force for three years, with no requirement:
    ``StandardVersionFactory(requirements={"medical": {"months": 24}}, accepts=[category])``."""

    class Meta:
        model = StandardVersion

    category = factory.SubFactory(CategoryFactory)
    number = factory.LazyAttribute(lambda row: row.category.standard_versions.count() + 1)
    in_force_from = factory.LazyAttribute(lambda row: days_ago(1095) + timedelta(days=row.number))
    recorded_at = at_ago(1095)
    months = 36
    period_end = StandardVersion.PeriodEnd.DAY_BEFORE
    renewal_window_days = 90
    lapse_limit_days = 60
    pass_mark = "0.800"

    @factory.post_generation
    def requirements(version: StandardVersion, create: bool, extracted: Any, **_: Any) -> None:
        for kind, fields in (extracted or {}).items() if create else ():
            RequirementFactory(version=version, kind=kind, **fields)

    @factory.post_generation
    def accepts(version: StandardVersion, create: bool, extracted: Any, **_: Any) -> None:
        for category in extracted or () if create else ():
            AcceptedCategory.objects.create(version=version, category=category)


class RequirementFactory(RowFactory):
    class Meta:
        model = Requirement

    version = factory.SubFactory(StandardVersionFactory)
    kind = Requirement.Kind.PRACTICAL
    title = factory.LazyAttribute(lambda row: Requirement.Kind(row.kind).label)
    hours = factory.LazyAttribute(
        lambda row: 8 if row.kind in ("training_hours", "supervised_hours") else None
    )
    recall_level = factory.LazyAttribute(lambda row: "0.850" if row.kind == "recall" else None)


def plain_standard(category: Category, **fields: Any) -> StandardVersion:
    """Practical assessment, paper, a two-year medical, site induction and familiarisation."""
    return StandardVersionFactory(category=category, requirements=PLAIN_REQUIREMENTS, **fields)


class EvidenceFactory(RowFactory):
    """A passed fact of 30 days ago. A familiarisation names a model, an induction a site, an assessment, a
    paper or refresher questions a category; each is made where it is not given."""

    class Meta:
        model = Evidence

    operator = factory.SubFactory(OperatorFactory)
    kind = Requirement.Kind.MEDICAL
    category = factory.Maybe(
        factory.LazyAttribute(lambda row: row.kind in ("practical", "paper", "recall")),
        yes_declaration=factory.SubFactory(CategoryFactory),
        no_declaration=None,
    )
    site = factory.LazyAttribute(lambda row: row.operator.site if row.kind == "induction" else None)
    machine_model = factory.LazyAttribute(
        lambda row: "Invented 30 articulated" if row.kind == "familiarisation" else ""
    )
    occurred_on = day_ago(30)
    counts_to = factory.LazyAttribute(
        lambda row: row.occurred_on + timedelta(days=120) if row.kind == "recall" else None
    )
    came_from = "Paper file, folder 3."
    recorded_at = at_ago(30)
    # Django's own rule: a correction says why.
    reason = factory.LazyAttribute(lambda row: "Entered wrongly." if row.corrects else "")
    corrects = None
