"""Confirmed practical assessments, as a population that an auditor can draw a sample from."""

from datetime import datetime

from django.db.models import F, Q
from django.db.models.functions import Coalesce

from assessments.models import Assessment
from competence.queries.sample_populations import (
    Drawable,
    Population,
    SampleAsked,
    at_site,
    drawable_of_site,
)
from competence.rules.sampling_words import Noun


def _confirmed(asked: SampleAsked, known_at: datetime) -> list[Drawable]:
    """By the moment at which the last of the two confirmed, or was recorded as never confirming."""
    other = Coalesce(F("operator_confirmed_at"), F("unconfirmed_at"))
    rows = Assessment.objects.filter(status=Assessment.Status.CONFIRMED).annotate(other_at=other)
    since = Q(assessor_confirmed_at__gte=asked.first_moment) | Q(other_at__gte=asked.first_moment)
    rows = rows.filter(since, other_at__lt=asked.before)
    rows = rows.filter(assessor_confirmed_at__lt=asked.before)
    if asked.category:
        rows = rows.filter(category=asked.category)
    # What was found is left to the record, which tells of corrections too.
    return [
        drawable_of_site(row, row.started_at, f"{row.number} on {row.machine.fleet_number}")
        for row in at_site(rows, asked)
    ]


CONFIRMED = Population(
    "assessments",
    "Practical assessments confirmed between two days",
    Noun("confirmed assessment", "confirmed assessments"),
    False,
    "Every practical assessment whose last confirmation was on one of those days, or that was recorded then "
    "as not confirmed by the operator; second markings too.",
    "the assessment's id",
    "assessment-record",
    _confirmed,
)
