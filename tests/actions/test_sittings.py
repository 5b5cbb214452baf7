"""A sitting, from its start to what stands on the record."""

import uuid
from datetime import timedelta

import pytest
from django.core.management import call_command
from django.utils import timezone

from assessments.actions.sittings import (
    LATE,
    allow_more_attempts,
    answer_question,
    finish_all_over,
    finish_if_over,
    finish_sitting,
    start_paper,
    start_refresher,
)
from assessments.models import Answer, MoreAttempts, Sitting
from assessments.queries.sittings import next_attempt_of, own_sittings, sheet_of
from assessments.rules.papers import NextAttempt
from competence.actions.clock import as_if_at
from competence.actions.errors import ActionRefused
from competence.models import Account, Evidence, Operator
from competence.permissions import NotAllowed
from competence.queries.journal import verify
from tests.actions.journalled import journals
from tests.actions.test_practical import journal_what_is_there
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    EvidenceFactory,
    OperatorFactory,
    RoleFactory,
    SiteFactory,
)
from tests.factories.base import days_ago
from tests.factories.questions import (
    PaperVersionFactory,
    QuestionFactory,
    QuestionVersionFactory,
    TopicFactory,
)

pytestmark = pytest.mark.django_db

RIGHT, WRONG = {"choice": 0}, {"choice": 1}


class Room:
    """An operator with an account, and a paper of two questions on each of two topics, one critical."""

    def __init__(self) -> None:
        self.site = SiteFactory()
        self.category = CategoryFactory()
        self.operator = OperatorFactory(site=self.site)
        self.account = AccountFactory(operator=self.operator)
        self.trainer = AccountFactory(roles=[("trainer", self.site)])
        self.raising, self.leaks = TopicFactory(code="raising"), TopicFactory(code="leaks")
        for topic in (self.raising, self.leaks):
            for number in range(4):
                question = QuestionFactory(topic=topic, code=f"{topic.code}-{number}")
                QuestionVersionFactory(question=question)
        self.paper = PaperVersionFactory(
            category=self.category, lines={self.raising: (2, 2), self.leaks: (2, 0)}, cut=2, minutes=30
        )

    def start(self, **fields) -> Sitting:
        given = {"by": self.account, "sitting_id": uuid.uuid4(), "category": self.category, **fields}
        return start_paper(**given)

    def answer(self, sitting: Sitting, position: int, given=RIGHT, **fields):
        told = {"by": self.account, "sitting_id": sitting.pk, "sent_as": uuid.uuid4(), **fields}
        return answer_question(position=position, given=given, **told)

    def sat(self, *, wrong: tuple[str, ...] = (), left: tuple[str, ...] = (), at=None) -> Sitting:
        """A whole paper, answered rightly but for these topics."""
        with as_if_at(at or timezone.now()):
            sitting = self.start()
            for question in sheet_of(sitting).questions:
                if question.topic.code not in left:
                    self.answer(sitting, question.position, WRONG if question.topic.code in wrong else RIGHT)
            return finish_sitting(by=self.account, sitting_id=sitting.pk)


@pytest.fixture
def room():
    return Room()


# Starting ------------------------------------------------------------------------------------------------


def test_a_paper_is_drawn_by_its_blueprint_and_ends_by_its_minutes(room):
    with journals("sitting.started", rows={"assessments.sitting", "assessments.drawnquestion"}):
        sitting = room.start()
    topics = [question.topic.code for question in sheet_of(sitting).questions]
    assert sorted(topics) == ["leaks", "leaks", "raising", "raising"]
    assert sitting.ends_at - sitting.started_at == timedelta(minutes=30)
    assert sitting.paper == room.paper


def test_a_start_sent_twice_or_again_meanwhile_is_one_sitting(room):
    sitting = room.start()
    with journals(None):
        assert room.start(sitting_id=sitting.pk) == sitting
        assert room.start() == sitting


def test_only_an_operator_sits_and_only_for_themself(room):
    sitting = room.start()
    other = AccountFactory(operator=OperatorFactory(site=room.site))
    with pytest.raises(NotAllowed):
        room.start(by=room.trainer)
    with pytest.raises(NotAllowed):
        room.answer(sitting, 1, by=other)
    with pytest.raises(NotAllowed):
        finish_sitting(by=other, sitting_id=sitting.pk)
    with pytest.raises(ActionRefused, match="another sitting"):
        room.start(by=other, sitting_id=sitting.pk)


def test_one_sitting_at_a_time(room):
    room.start()
    with pytest.raises(ActionRefused, match="in the middle of"):
        start_refresher(by=room.account, sitting_id=uuid.uuid4())


def test_a_paper_that_the_bank_cannot_meet_names_the_topic_and_how_many_are_short(room):
    for question in room.raising.questions.all()[:3]:
        question.retired_at, question.retired_why = timezone.now(), "Unclear."
        question.save()
    with journals(None), pytest.raises(ActionRefused, match="Raising: 1 short"):
        room.start()


def test_no_paper_in_force_is_said(room):
    with pytest.raises(ActionRefused, match="No paper is in force"):
        room.start(category=CategoryFactory())


def test_what_was_asked_before_is_asked_last(room):
    first = {question.version.pk for question in sheet_of(room.sat(wrong=("raising",))).questions}
    with as_if_at(timezone.now() + timedelta(days=2)):
        second = {question.version.pk for question in sheet_of(room.start()).questions}
    assert not first & second


# Answering -----------------------------------------------------------------------------------------------


def test_the_last_answer_in_time_counts_and_all_are_kept(room):
    sitting = room.start()
    with journals(None):
        room.answer(sitting, 1, WRONG)
        room.answer(sitting, 1, RIGHT, seconds=14)
    question = sheet_of(sitting).questions[0]
    assert question.is_right
    assert [answer.is_right for answer in question.answers] == [False, True]
    assert question.counted.seconds == 14


def test_an_answer_sent_twice_is_one(room):
    sitting, sent_as = room.start(), uuid.uuid4()
    first = room.answer(sitting, 1, sent_as=sent_as)
    assert room.answer(sitting, 1, WRONG, sent_as=sent_as).answer == first.answer
    assert Answer.objects.count() == 1


def test_what_cannot_be_read_is_asked_back_and_nothing_is_kept(room):
    sitting = room.start()
    with pytest.raises(ActionRefused, match="Pick one") as refused:
        room.answer(sitting, 1, {"choice": 7})
    assert refused.value.field == "given"
    with pytest.raises(ActionRefused, match="no such question"):
        room.answer(sitting, 40)
    assert not Answer.objects.exists()


def test_an_answer_after_the_end_is_kept_as_late_and_ends_the_paper(room):
    journal_what_is_there()
    sitting = room.start()
    room.answer(sitting, 1, RIGHT)
    with as_if_at(sitting.ends_at + timedelta(seconds=1)):
        kept = room.answer(sitting, 1, WRONG)
    assert (kept.answer.is_late, kept.sentence) == (True, LATE)
    sitting.refresh_from_db()
    assert sitting.status == "finished"
    assert sitting.outcome["right"] == 1
    with as_if_at(sitting.ends_at + timedelta(hours=1)), journals("sitting.answered_late"):
        assert room.answer(sitting, 2, RIGHT).answer.is_late
    assert not verify().problems


def test_an_answer_at_the_very_end_is_in_time(room):
    sitting = room.start()
    with as_if_at(sitting.ends_at):
        assert not room.answer(sitting, 1).answer.is_late


def test_a_question_retired_in_mid_sitting_is_still_marked_as_drawn(room):
    sitting = room.start()
    question = sheet_of(sitting).questions[0].version.question
    question.retired_at, question.retired_why = timezone.now(), "Unclear."
    question.save()
    QuestionVersionFactory(question=question, number=2)
    assert room.answer(sitting, 1, RIGHT).answer.is_right
    assert sheet_of(sitting).questions[0].version.number == 1


# Finishing -----------------------------------------------------------------------------------------------


def test_a_passed_paper_is_evidence_of_the_sitters_own_account(room):
    journal_what_is_there()
    sitting = room.sat()
    evidence = Evidence.objects.get(kind="paper")
    assert (evidence.is_met, evidence.category, evidence.operator) == (True, room.category, room.operator)
    assert evidence.recorded_by == room.account
    assert evidence.came_from == f"Question paper {sitting.number}, 4 of 4 right"
    assert evidence.sitting.sitting == sitting
    assert not verify().problems


def test_a_critical_topic_fails_a_paper_whose_total_passes(room):
    sitting = room.sat(wrong=("raising",))
    assert sitting.outcome["right"] == sitting.outcome["cut"] == 2
    assert not sitting.is_passed
    assert not Evidence.objects.get(kind="paper").is_met


def test_an_unanswered_question_is_wrong(room):
    sitting = room.sat(left=("leaks",))
    assert (sitting.outcome["right"], sitting.outcome["asked"]) == (2, 4)
    assert sitting.is_passed


def test_finishing_twice_writes_once(room):
    sitting = room.sat()
    with journals(None):
        assert finish_sitting(by=room.account, sitting_id=sitting.pk).pk == sitting.pk


def test_whoever_comes_by_finishes_a_paper_whose_time_is_up_with_what_was_in_time(room):
    sitting = room.start()
    room.answer(sitting, 1)
    assert not finish_if_over(by=room.trainer, sitting_id=sitting.pk)
    with as_if_at(sitting.ends_at + timedelta(hours=9)), journals("sitting.finished"):
        assert finish_if_over(by=room.trainer, sitting_id=sitting.pk)
    sitting.refresh_from_db()
    assert sitting.finished_at == sitting.ends_at
    assert Evidence.objects.get(kind="paper").recorded_by == room.account


def test_the_command_finishes_every_paper_whose_time_is_up(room, capsys):
    sitting = room.start()
    with as_if_at(sitting.ends_at + timedelta(minutes=1)):
        call_command("close_sittings")
        assert finish_all_over() == 0
    sitting.refresh_from_db()
    assert sitting.status == "finished"
    assert "1 paper" in capsys.readouterr().out


def test_a_refused_start_still_finishes_the_paper_whose_time_was_up(room):
    room.sat(wrong=("raising",), at=timezone.now() - timedelta(days=5))
    sitting = room.start()
    with as_if_at(sitting.ends_at + timedelta(days=3)), pytest.raises(ActionRefused, match="attempts"):
        room.start()
    sitting.refresh_from_db()
    assert sitting.status == "finished"


# Attempts ------------------------------------------------------------------------------------------------


def test_whole_days_lie_between_a_failure_and_the_next_attempt(room):
    moment = timezone.now()
    room.sat(wrong=("raising",), at=moment)
    with as_if_at(moment + timedelta(days=1)), pytest.raises(ActionRefused, match="sat again from"):
        room.start()
    with as_if_at(moment + timedelta(days=2)):
        assert room.start().status == "open"


def test_a_trainer_allows_more_attempts_once_they_are_used_up(room):
    def allow(**fields):
        told = {"by": room.trainer, "operator": room.operator, "category": room.category, **fields}
        return allow_more_attempts(reason="An hour on raised bodies.", **told)

    room.sat(wrong=("raising",), at=timezone.now() - timedelta(days=6))
    with pytest.raises(ActionRefused, match="attempts left: 1"):
        allow()
    room.sat(wrong=("raising",), at=timezone.now() - timedelta(days=3))
    with pytest.raises(ActionRefused, match="attempts at the"):
        room.start()
    with pytest.raises(NotAllowed):
        allow(by=AccountFactory(roles=[("trainer", SiteFactory())]))
    with pytest.raises(NotAllowed, match="themself"):
        allow(by=_also_trainer(room))
    with journals("attempts.allowed", reason="An hour on raised bodies."):
        allow()
    assert MoreAttempts.objects.count() == 1
    assert room.start().status == "open"


def _also_trainer(room):
    RoleFactory(account=room.account, name="trainer")
    return Account.objects.get(pk=room.account.pk)


def test_a_pass_begins_the_attempts_anew(room):
    room.sat(wrong=("raising",), at=timezone.now() - timedelta(days=6))
    room.sat(at=timezone.now() - timedelta(days=3))
    assert next_attempt_of(room.operator, room.paper, days_ago(0)) == NextAttempt(days_ago(0), 2)


# What there is to sit ------------------------------------------------------------------------------------


def test_papers_are_asked_for_by_tickets_training_and_bookings_only(room):
    assert own_sittings(room.operator, timezone.now()).asked_for == []
    EvidenceFactory(operator=room.operator, kind="training_hours", hours=8, category=room.category)
    (offer,) = own_sittings(room.operator, timezone.now()).asked_for
    assert (offer.paper, offer.questions, offer.may_be_sat) == (room.paper, 4, True)


def test_what_there_is_to_sit_takes_as_many_statements_for_many_papers(room, django_assert_max_num_queries):
    for _ in range(3):
        PaperVersionFactory(lines={room.raising: (1, 1), room.leaks: (1, 0)})
    room.sat()
    operator = Operator.objects.with_state().get(pk=room.operator.pk)
    with django_assert_max_num_queries(9):
        own_sittings(operator, timezone.now())


def test_a_sheet_takes_two_statements(room, django_assert_num_queries):
    sitting = room.start()
    for position in (1, 2, 3):
        room.answer(sitting, position)
        room.answer(sitting, position, WRONG)
    with django_assert_num_queries(2):
        sheet = sheet_of(sitting)
        assert sheet.answered == 3
        assert {question.topic.code for question in sheet.questions} == {"raising", "leaks"}
