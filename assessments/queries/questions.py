"""The bank: what may be drawn, what is to be found in it, and one question with all that happened to it."""

from django.db.models import OuterRef, QuerySet, Subquery

from assessments.models import QuestionVersion
from competence.models import Category


def versions_in_use() -> QuerySet[QuestionVersion]:
    """Of every question that is not retired, the newest version that somebody reviewed. No statement yet."""
    newest = (
        QuestionVersion.objects.filter(question=OuterRef("question"), review__isnull=False)
        .order_by("-number")
        .values("pk")[:1]
    )
    return QuestionVersion.objects.filter(
        question__retired_at__isnull=True, pk=Subquery(newest)
    ).select_related("question__topic")


def bank_for(category: Category | None) -> list[QuestionVersion]:
    """What may be drawn for a category, by the questions' codes; for ``None``, what is asked whatever the
    category. One statement."""
    # Which categories a question is of is JSON, which not every database searches: it is read here.
    code = category.code if category else None
    return [
        version
        for version in versions_in_use().order_by("question__code")
        if not version.categories or code in version.categories
    ]
