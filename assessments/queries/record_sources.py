"""What evidence came from: the assessment or the sitting that wrote it, for the record's chain."""

from collections import Counter
from collections.abc import Collection, Mapping
from fractions import Fraction
from typing import Any

from assessments.models import Assessment, AssessmentCorrection, SittingEvidence, Tap
from assessments.queries.assessment_records import outcome_word
from assessments.rules.scoring_words import percents
from competence.queries.record_chain import Source
from competence.queries.timeline import moment_words
from competence.rules.gate import zone_named


def sources_of(evidence: Collection[int]) -> Mapping[int, Source]:
    """Of keys of evidence, the source of each that an assessment or a sitting wrote. Three statements."""
    return _assessments(evidence) | _corrections(evidence) | _sittings(evidence)


_SHOWN = ("assessor", "machine", "site", "raised_by", "unconfirmed_by")


def _assessments(evidence: Collection[int]) -> dict[int, Source]:
    found = Assessment.objects.filter(evidence__in=evidence).select_related(*_SHOWN)
    return {assessment.evidence_id: _of_assessment(assessment) for assessment in found}


def _corrections(evidence: Collection[int]) -> dict[int, Source]:
    """A correction writes evidence of its own: what it came from is the assessment with what it should have
    found."""
    found = AssessmentCorrection.objects.filter(evidence__in=evidence).select_related(
        "recorded_by", *(f"assessment__{name}" for name in _SHOWN)
    )
    return {
        one.evidence_id: _of_assessment(
            one.assessment,
            ("Corrected to", f"{outcome_word(one.is_competent)}, by {one.recorded_by.name}: {one.reason}"),
            rows=(("assessments.assessmentcorrection", str(one.pk)),),
        )
        for one in found
    }


def _of_assessment(
    assessment: Assessment, *more: tuple[str, str], rows: tuple[tuple[str, str], ...] = ()
) -> Source:
    found_by = assessment.raised_by or assessment.assessor
    zone = zone_named(assessment.site.zone)
    facts = [("Found", outcome_word(assessment.is_competent)), *_marks(assessment.outcome or {})]
    facts.append(("Assessed by", assessment.assessor.name))
    if assessment.decided_why:
        facts.append(("Found otherwise than the marks", f"by {found_by.name}: {assessment.decided_why}"))
    if assessment.operator_confirmed_at:
        facts.append(("Confirmed by the operator", moment_words(assessment.operator_confirmed_at, zone)))
    elif assessment.unconfirmed_by:
        facts.append(("Not confirmed by the operator", assessment.unconfirmed_why))
    return Source(
        kind="assessment",
        what=f"Practical assessment {assessment.number} on {assessment.machine.fleet_number}",
        url_name="assessment-record",
        key=str(assessment.pk),
        facts=(*facts, *more),
        rows=(("assessments.assessment", str(assessment.pk)), *rows),
        assessed_by=found_by,
    )


def _marks(outcome: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The score against the pass mark, and how many points got which mark."""
    if not outcome:
        return []
    score, needed = percents(Fraction(outcome["score"]), Fraction(outcome["pass_mark"]))
    counted = Counter(line["mark"] for line in outcome.get("points", ()) if line["mark"])
    marks = [f"{counted[mark]} {label.lower()}" for mark, label in Tap.Mark.choices if counted[mark]]
    return [("Score", f"{score}, pass mark {needed}"), ("Marks", ", ".join(marks) or "none")]


def _sittings(evidence: Collection[int]) -> dict[int, Source]:
    found = SittingEvidence.objects.filter(evidence__in=evidence).select_related("sitting")
    return {one.evidence_id: _of_sitting(one) for one in found}


def _of_sitting(link: SittingEvidence) -> Source:
    sitting = link.sitting
    outcome = sitting.outcome or {}
    facts = []
    if sitting.is_passed is not None:
        facts.append(("Result", "Passed" if sitting.is_passed else "Not passed"))
    if "right" in outcome:
        cut = f", {outcome['cut']} to pass" if outcome.get("cut") else ""
        facts.append(("Right", f"{outcome['right']} of {outcome['asked']}{cut}"))
    return Source(
        kind="sitting",
        what=f"{'Paper' if sitting.kind == sitting.Kind.PAPER else 'Refresher'} {sitting.number}",
        url_name="sitting-record",
        key=str(sitting.pk),
        facts=tuple(facts),
        rows=(("assessments.sitting", str(sitting.pk)), ("assessments.sittingevidence", str(link.pk))),
    )
