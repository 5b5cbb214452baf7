"""What evidence came from: an assessment with its marks and score, a sitting with its result."""

import pytest

from assessments.models import SittingEvidence
from assessments.queries.record_sources import sources_of
from competence.queries.record_chain import CHAIN_LINKS
from tests.factories import EvidenceFactory
from tests.factories.assessments import AssessmentFactory
from tests.factories.questions import SittingFactory

pytestmark = pytest.mark.django_db


def test_this_app_tells_the_record_what_evidence_came_from():
    assert sources_of in CHAIN_LINKS


def test_an_assessment_is_told_with_its_score_its_marks_and_who_assessed(django_assert_num_queries):
    evidence = EvidenceFactory(kind="practical")
    assessment = AssessmentFactory(stage="confirmed", evidence=evidence, operator=evidence.operator)
    with django_assert_num_queries(3):
        source = sources_of([evidence.pk])[evidence.pk]
    facts = dict(source.facts)
    assert facts["Found"] == "Competent"
    assert facts["Score"].startswith("100 %, pass mark ")
    assert facts["Marks"].endswith("unprompted")
    assert facts["Assessed by"] == assessment.assessor.name
    assert source.assessed_by == assessment.assessor
    assert ("assessments.assessment", str(assessment.pk)) in source.rows


def test_a_sitting_is_told_with_its_result():
    evidence = EvidenceFactory(kind="paper")
    sitting = SittingFactory(operator=evidence.operator, is_paper=True, finished=True)
    SittingEvidence.objects.create(sitting=sitting, evidence=evidence)
    source = sources_of([evidence.pk])[evidence.pk]
    assert dict(source.facts)["Result"] == "Passed"
    assert source.key == str(sitting.pk)


def test_evidence_that_was_recorded_by_hand_has_no_source():
    assert sources_of([EvidenceFactory(kind="medical").pk]) == {}
