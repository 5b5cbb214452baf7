"""Refreshers: what they ask, how they grow, and what sittings and misses say of recall."""

import uuid
from datetime import timedelta

import pytest
from django.utils import timezone

from assessments.actions.outcomes import confirm_assessment
from assessments.actions.refreshers import FEWEST, MOST, after_check, bank_of
from assessments.actions.sittings import answer_question, finish_sitting, start_paper, start_refresher
from assessments.models import Sitting
from assessments.queries.recall import knowledge_of, recalls_of, refresher_due
from assessments.queries.sittings import sheet_of
from competence.actions.clock import as_if_at
from competence.actions.errors import ActionRefused
from competence.models import Evidence, Operator
from competence.queries.journal import verify
from tests.actions.journalled import journals
from tests.actions.test_practical import journal_what_is_there
from tests.factories import (
    AccountFactory,
    ChecklistVersionFactory,
    DailyCheckFactory,
    FindingFactory,
    MachineFactory,
    PointFactory,
    StandardVersionFactory,
    authorised_operator,
)
from tests.factories.assessments import AssessmentFactory
from tests.factories.questions import (
    PaperVersionFactory,
    QuestionFactory,
    QuestionVersionFactory,
    TopicFactory,
)

pytestmark = pytest.mark.django_db

RIGHT, WRONG = {"choice": 0}, {"choice": 1}
TOPICS = ("raising", "brakes", "leaks", "parking", "fluids", "tyres")


class Room:
    """A ticket holder whose standard asks for recall of two critical topics, in a bank of six."""

    def __init__(self) -> None:
        self.machine = MachineFactory()
        self.category = self.machine.state.category
        StandardVersionFactory(category=self.category, requirements={"practical": {}})
        self.operator = authorised_operator(self.machine)
        # Asked for since, so that nothing of it is held yet.
        self.standard = StandardVersionFactory(
            category=self.category, requirements={"practical": {}, "recall": {}}
        )
        self.account = AccountFactory(operator=self.operator)
        self.topics = {code: TopicFactory(code=code) for code in TOPICS}
        for code, topic in self.topics.items():
            for number in range(4):
                QuestionVersionFactory(question=QuestionFactory(topic=topic, code=f"{code}-{number}"))
        lines = {self.topics[code]: (1, int(code in ("raising", "brakes"))) for code in TOPICS}
        self.paper = PaperVersionFactory(category=self.category, lines=lines, cut=4)

    def start(self) -> Sitting:
        return start_refresher(by=self.account, sitting_id=uuid.uuid4())

    def answer(self, sitting, position, given=RIGHT):
        told = {"by": self.account, "sitting_id": sitting.pk, "sent_as": uuid.uuid4()}
        return answer_question(position=position, given=given, **told)

    def done(self, *, wrong=(), at=None, sitting=None) -> Sitting:
        with as_if_at(at or timezone.now()):
            sitting = sitting or self.start()
            for question in sheet_of(sitting).questions:
                self.answer(sitting, question.position, WRONG if question.topic.code in wrong else RIGHT)
            return finish_sitting(by=self.account, sitting_id=sitting.pk)

    def held(self) -> list[Evidence]:
        return list(Evidence.objects.filter(kind="recall", corrected_by__isnull=True).order_by("pk"))

    def fresh(self) -> Operator:
        return Operator.objects.with_state().get(pk=self.operator.pk)


@pytest.fixture
def room():
    return Room()


def topics_of(sitting):
    return [question.topic.code for question in sheet_of(sitting).questions]


# What is asked -------------------------------------------------------------------------------------------


def test_a_refresher_begins_with_what_is_known_least_and_critical_topics_first(room):
    room.done(at=timezone.now() - timedelta(days=20))
    room.done(wrong=("raising",), at=timezone.now() - timedelta(days=10))
    topics = topics_of(room.start())
    assert len(topics) == FEWEST
    assert {"raising", "brakes"} <= set(topics)


def test_the_topic_left_out_of_the_first_refresher_is_in_the_second(room):
    first = room.done(at=timezone.now() - timedelta(days=1))
    (left,) = set(TOPICS) - set(topics_of(first))
    assert left in topics_of(room.start())


def test_a_wrong_answer_brings_one_more_of_its_topic_and_the_same_one_wrong_again_none(room):
    sitting = room.start()
    topic = topics_of(sitting)[0]
    with journals("sitting.extended", rows={"assessments.drawnquestion"}):
        room.answer(sitting, 1, WRONG)
    assert topics_of(sitting)[FEWEST:] == [topic]
    with journals(None):
        room.answer(sitting, 1, {"choice": 2})
        room.answer(sitting, 1, RIGHT)


def test_a_refresher_grows_to_its_most_and_no_further(room):
    sitting = room.start()
    for position in range(1, FEWEST + 1):
        room.answer(sitting, position, WRONG)
    assert len(topics_of(sitting)) == MOST
    codes = [question.version.question.code for question in sheet_of(sitting).questions]
    assert len(set(codes)) == MOST


def test_a_paper_never_grows(room):
    sitting = start_paper(by=room.account, sitting_id=uuid.uuid4(), category=room.category)
    room.answer(sitting, 1, WRONG)
    assert len(topics_of(sitting)) == len(TOPICS)


def test_without_a_question_in_use_a_refresher_is_not_begun(room):
    for topic in room.topics.values():
        topic.questions.update(retired_at=timezone.now(), retired_why="Unclear.")
    with pytest.raises(ActionRefused, match="no question in use"):
        room.start()


def test_without_a_ticket_the_questions_are_those_for_every_category(room):
    other = QuestionVersionFactory(
        question=QuestionFactory(topic=TopicFactory(code="cranes"), code="cranes-1"),
        categories=[room.category.code],
    )
    newcomer = AccountFactory(operator=authorised_operator(MachineFactory()))
    newcomer.operator.tickets.update(is_withdrawn=True)
    sitting = start_refresher(by=newcomer, sitting_id=uuid.uuid4())
    assert "cranes" not in topics_of(sitting)
    # The holder of a ticket for it is asked that one too.
    assert other in bank_of(room.operator)


# What is kept --------------------------------------------------------------------------------------------


def test_a_refresher_answered_right_says_to_which_day_what_is_known_lasts(room):
    journal_what_is_there()
    sitting = room.done()
    (row,) = room.held()
    today = timezone.localdate()
    assert (row.is_met, row.occurred_on, row.category) == (True, today, room.category)
    level = 0.85
    dues = [recalls_of(room.fresh())[topic].due_on(level) for topic in ("raising", "brakes")]
    assert row.counts_to == min(dues) > today
    assert row.came_from == f"Refresher {sitting.number}, 5 of 5 right"
    assert row.sitting.sitting == sitting
    assert row.recorded_by == room.account
    assert not verify().problems


def test_a_critical_topic_never_answered_right_is_not_met(room):
    room.done(wrong=("raising",))
    (row,) = room.held()
    assert (row.is_met, row.counts_to) == (False, None)
    due = refresher_due(room.fresh(), timezone.now())
    assert due.is_over
    assert due.on is None


def test_a_second_refresher_on_one_day_corrects_the_first(room):
    room.done(wrong=("raising",))
    room.done()
    (row,) = room.held()
    assert row.is_met
    assert row.reason == "Answered again the same day"
    assert row.corrects.is_met is False


def test_refreshers_on_two_days_are_two_rows(room):
    room.done(at=timezone.now() - timedelta(days=3))
    room.done()
    assert [row.corrects for row in room.held()] == [None, None]


def test_a_standard_that_asks_for_no_recall_gets_no_row_of_it(room):
    StandardVersionFactory(category=room.category, requirements={"practical": {}})
    room.done()
    assert room.held() == []
    assert refresher_due(room.fresh(), timezone.now()) is None


def test_a_passed_paper_says_what_is_known_and_a_failed_one_only_brings_it_forward(room):
    paper = start_paper(by=room.account, sitting_id=uuid.uuid4(), category=room.category)
    room.done(sitting=paper, wrong=("raising",))
    assert room.held() == []
    with as_if_at(timezone.now() + timedelta(days=3)):
        second = start_paper(by=room.account, sitting_id=uuid.uuid4(), category=room.category)
    room.done(sitting=second, at=timezone.now() + timedelta(days=3))
    (row,) = room.held()
    assert row.is_met
    assert row.came_from.startswith("Question paper")


# What brings it forward ----------------------------------------------------------------------------------


def a_check(room, *, topic="raising", **finding):
    point = PointFactory(topic=topic)
    checklist = ChecklistVersionFactory(category=room.category, points=[point])
    check = DailyCheckFactory(
        machine=room.machine, operator=room.operator, checklist=checklist, submitted=True
    )
    finding = {**finding, **({"not_reached_reason": "Too dark."} if finding else {})}
    FindingFactory(daily_check=check, listed=checklist.listed.get(), **finding)
    return check


def test_a_point_not_reached_brings_the_day_forward(room):
    room.done(at=timezone.now() - timedelta(days=1))
    (before,) = room.held()
    check = a_check(room, answer="not_reached")
    (row,) = after_check(check)
    assert row.counts_to is None or row.counts_to < before.counts_to
    assert "points not reached" in row.came_from


def test_a_point_of_a_topic_that_is_not_critical_changes_nothing(room):
    room.done(at=timezone.now() - timedelta(days=1))
    assert after_check(a_check(room, topic="parking", answer="not_reached")) == []


def test_a_check_that_reached_everything_changes_nothing(room):
    room.done(at=timezone.now() - timedelta(days=1))
    assert after_check(a_check(room)) == []


def test_without_evidence_of_recall_nothing_is_brought_forward(room):
    assert after_check(a_check(room, answer="not_reached")) == []


def confirmed(room, marks):
    points = [PointFactory(topic="raising"), PointFactory(topic="fluids")]
    assessment = AssessmentFactory(
        machine=room.machine,
        operator=room.operator,
        checklist=ChecklistVersionFactory(category=room.category, points=points),
        standard_version=room.standard,
        stage="finished",
        stage__marks=marks,
    )
    is_competent = assessment.is_competent
    for account in (assessment.assessor, room.account):
        confirm_assessment(by=account, assessment_id=assessment.pk, is_competent=is_competent)


def test_a_point_missed_at_the_machine_brings_the_day_forward_once_both_confirm(room):
    room.done(at=timezone.now() - timedelta(days=1))
    (before,) = room.held()
    confirmed(room, {1: "missed"})
    after = room.held()[-1]
    assert after != before
    assert after.came_from.startswith("Practical assessment")
    assert not after.is_met or after.counts_to < before.counts_to


def test_a_walk_around_without_a_miss_moves_no_day(room):
    room.done(at=timezone.now() - timedelta(days=1))
    confirmed(room, {})
    assert len(room.held()) == 1


def test_when_a_refresher_falls_due_takes_four_statements(room, django_assert_max_num_queries):
    room.done()
    operator = room.fresh()
    with django_assert_max_num_queries(4):
        due = refresher_due(operator, timezone.now())
    assert due.categories == (room.category,)


def test_what_is_believed_takes_three_statements(room, django_assert_num_queries):
    room.done(at=timezone.now() - timedelta(days=3))
    room.done()
    operator = room.fresh()
    with django_assert_num_queries(3):
        assert recalls_of(operator)["raising"].is_known


def test_what_somebody_knows_is_told_as_fading_fresh_and_not_asked(room):
    room.done(at=timezone.now() - timedelta(days=60))
    second = room.done(at=timezone.now() - timedelta(days=1), wrong=("raising",))
    told = knowledge_of(room.fresh(), timezone.now())
    assert {one.topic.code for one in told.topics} == set(TOPICS)
    again = set(topics_of(second))
    assert "raising" in {one.topic.code for one in told.fading}
    assert {one.topic.code for one in told.fresh} == again - {"raising"}
    assert all(one.share is None for one in told.not_asked)


def test_what_somebody_knows_takes_as_many_statements_for_many_answers(room, django_assert_max_num_queries):
    operator = room.fresh()
    with django_assert_max_num_queries(13) as few:
        knowledge_of(operator, timezone.now())
    room.done()
    with django_assert_max_num_queries(13) as many:
        knowledge_of(operator, timezone.now())
    assert len(few) == len(many)
