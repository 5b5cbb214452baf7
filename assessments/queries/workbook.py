"""The rows of a workbook's sheets about practical assessments and sittings.

Each function is one statement, read in chunks; its rows stand in the order of the sheet's columns.
"""

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from django.db.models import OuterRef, Q, QuerySet, Subquery

from assessments.models import Assessment, AssessmentCorrection, Sitting
from assessments.queries.assessment_records import outcome_word
from competence.queries.workbook import CHUNK, Names, Slice, employed_then, of_people_then
from competence.queries.workbook_people import ACCOUNT, PERSON, account_name, person_name

KINDS = dict(Sitting.Kind.choices)


def assessments_then(asked: Slice) -> QuerySet[Assessment]:
    """Assessments finished at the slice's sites by then. One that was abandoned has found nothing."""
    found = Assessment.objects.filter(asked.happened("finished_at"), asked.at_sites("site_id")).exclude(
        status=Assessment.Status.ABANDONED
    )
    if asked.category is not None:
        found = found.filter(category=asked.category)
    return employed_then(found, asked)


def assessment_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    """``found competent`` is what was found, and beside it what the newest correction by then says."""
    corrections = AssessmentCorrection.objects.filter(
        assessment=OuterRef("pk"), recorded_at__lte=asked.both
    ).order_by("-pk")
    found = assessments_then(asked).annotate(
        corrected_to=Subquery(corrections.values("is_competent")[:1]),
        corrected_why=Subquery(corrections.values("reason")[:1]),
        corrected_at=Subquery(corrections.values("recorded_at")[:1]),
    )
    by = (f"assessor__{column}" for column in ACCOUNT)
    columns = (
        "finished_at",
        "site_id",
        "machine__fleet_number",
        "category_id",
        "alongside_id",
        "started_at",
        "outcome__score",
        "outcome__pass_mark",
        "outcome__is_competent",
        "outcome__reasons",
        "is_competent",
        "decided_why",
        "assessor_confirmed_at",
        "operator_confirmed_at",
        "unconfirmed_at",
        "unconfirmed_why",
        "corrected_to",
        "corrected_why",
        "corrected_at",
        "pk",
    )
    read = found.order_by("finished_at", "pk").values_list(*PERSON, *by, *columns)
    for row in read.iterator(chunk_size=CHUNK):
        number, family, given, first, last, username, *rest = row
        finished, site, machine, category, alongside, started, *rest = rest
        score, pass_mark, by_marks, reasons, is_competent, why, *rest = rest
        assessor_at, operator_at, unconfirmed_at, unconfirmed_why, *rest = rest
        corrected_to, corrected_why, corrected_at, pk = rest
        assessor_at, operator_at, unconfirmed_at = (
            one if one is not None and one <= asked.both else None
            for one in (assessor_at, operator_at, unconfirmed_at)
        )
        yield (
            _short(pk),
            number,
            person_name(family, given),
            named.site(site),
            machine,
            named.categories[category],
            account_name(first, last, username),
            _short(alongside) if alongside else "",
            started,
            finished,
            None if score is None else float(Fraction(score)),
            None if pass_mark is None else float(Fraction(pass_mark)),
            outcome_word(by_marks),
            " ".join(reasons or ()),
            outcome_word(is_competent),
            why,
            _confirmed(assessor_at, operator_at, unconfirmed_at),
            assessor_at,
            operator_at,
            "" if unconfirmed_at is None else unconfirmed_why,
            "" if corrected_to is None else outcome_word(corrected_to),
            corrected_at,
            corrected_why or "",
            str(pk),
        )


def _short(pk: Any) -> str:
    return str(pk)[:8].upper()


def _confirmed(assessor_at: Any, operator_at: Any, unconfirmed_at: Any) -> str:
    if assessor_at and operator_at:
        return "By both"
    if unconfirmed_at:
        return "Without the operator"
    return "Waiting"


def sittings_then(asked: Slice) -> QuerySet[Sitting]:
    """Sittings of the slice's people, finished by then. With a category, refreshers too: they are about
    whatever is fading."""
    found = of_people_then(Sitting.objects.filter(asked.happened("finished_at")), asked)
    if asked.category is not None:
        found = found.filter(Q(category=asked.category) | Q(category__isnull=True))
    return found


def sitting_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    columns = (
        "home",
        "kind",
        "category_id",
        "paper__number",
        "started_at",
        "ends_at",
        "finished_at",
        "outcome__right",
        "outcome__asked",
        "outcome__cut",
        "is_passed",
        "pk",
    )
    read = sittings_then(asked).order_by("finished_at", "pk").values_list(*PERSON, *columns)
    for row in read.iterator(chunk_size=CHUNK):
        number, family, given, home, kind, category, version, started, ends, finished, *rest = row
        right, of, cut, is_passed, pk = rest
        yield (
            _short(pk),
            number,
            person_name(family, given),
            named.site(home),
            KINDS[kind],
            named.categories.get(category, ""),
            version,
            started,
            ends,
            finished,
            right,
            of,
            # A refresher has no cut of its own.
            cut or None,
            "Passed" if is_passed else "Not passed",
            str(pk),
        )
