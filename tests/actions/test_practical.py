"""A practical assessment, from its start to what stands on the record."""

import uuid
from datetime import timedelta

import pytest
from django.db import transaction
from django.utils import timezone

from assessments.actions.outcomes import (
    confirm_assessment,
    correct_assessment,
    lower_outcome,
    raise_outcome,
    record_unconfirmed,
)
from assessments.actions.practical import (
    GivenMark,
    GivenNote,
    Unmarked,
    abandon_assessment,
    finish_assessment,
    give_marks,
    note_point,
    start_assessment,
)
from assessments.models import Assessment, Booking, PointNote, Tap
from assessments.queries.practical import marks_that_count, sheet_of
from competence.actions.clock import as_if_at
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.tickets import issue_ticket
from competence.models import Evidence, Precedence
from competence.permissions import NotAllowed
from competence.queries.journal import verify
from competence.queries.journal_rows import journalled_models
from competence.queries.tickets import practical_assessors
from tests.actions.journalled import journals
from tests.doors.check_yard import a_yard
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    SiteFactory,
    plain_standard,
)
from tests.factories.assessments import AssessmentFactory
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db


class Ground:
    """A yard with an appointed assessor, and an operator of it with an account."""

    def __init__(self) -> None:
        self.yard = a_yard()
        self.machine, self.account = self.yard.machine, self.yard.account
        self.operator, self.listed = self.yard.operator, self.yard.listed
        self.category = self.machine.state.category
        self.assessor = self.appointed()

    def appointed(self, **fields):
        account = AccountFactory(roles=["trainer"])
        AppointmentFactory(account=account, category=self.category, **fields)
        return account

    def start(self, by=None, **fields):
        fields = {
            "assessment_id": uuid.uuid4(),
            "operator": self.operator,
            "machine": self.machine,
            **fields,
        }
        return start_assessment(by=by or self.assessor, **fields)

    def mark(self, assessment, marks, by=None, device="one", sent_as=None):
        given = [
            GivenMark(self.listed[place].pk, mark, sent_as or uuid.uuid4(), timezone.now(), device)
            for place, mark in marks
        ]
        return give_marks(by=by or assessment.assessor, assessment_id=assessment.pk, marks=given)

    def note(self, assessment, sent_as, **said):
        note = GivenNote(self.listed[0].pk, sent_as, **said)
        return note_point(by=self.assessor, assessment_id=assessment.pk, note=note)

    def finished(self, marks=None, **fields):
        assessment = self.start(**fields)
        told = dict.fromkeys(range(6), "unprompted") | (marks or {})
        self.mark(assessment, told.items())
        return finish_assessment(by=assessment.assessor, assessment_id=assessment.pk)

    def confirmed(self, marks=None, **fields):
        assessment = self.finished(marks, **fields)
        for by in (assessment.assessor, self.account):
            assessment = confirm(assessment, by)
        return assessment


def confirm(assessment, by, is_competent=None):
    shown = assessment.is_competent if is_competent is None else is_competent
    return confirm_assessment(by=by, assessment_id=assessment.pk, is_competent=shown)


@pytest.fixture
def ground():
    return Ground()


def journal_what_is_there():
    """Factories write no journal; what they made is told of here, so that whatever is amiss afterwards is
    the assessment's."""
    rows = [row for model in journalled_models() for row in model.objects.all()]
    with transaction.atomic():
        record(by=None, action="register.set_up", rows=rows)


def practicals(ground):
    return Evidence.objects.filter(operator=ground.operator, kind="practical", came_from__startswith="Prac")


def test_a_whole_assessment_writes_one_entry_for_each_act_and_the_journal_agrees(ground):
    journal_what_is_there()
    with journals("assessment.started", rows={"assessments.assessment", "assessments.assessedpoint"}):
        assessment = ground.start()
    assert verify().problems == []
    with journals(None):
        ground.mark(assessment, [(place, "unprompted") for place in range(6)])
        ground.note(assessment, uuid.uuid4(), text="Tapped each nut.")
    assert verify().problems == []
    with journals(
        "assessment.finished",
        rows={"assessments.assessment", "assessments.tap", "assessments.pointnote"},
    ):
        assessment = finish_assessment(by=ground.assessor, assessment_id=assessment.pk)
    assert assessment.is_competent
    assert assessment.outcome["score"] == "1"
    with journals("assessment.confirmed", rows={"assessments.assessment"}):
        confirm(assessment, ground.assessor)
    with journals("assessment.confirmed", rows={"assessments.assessment", "competence.evidence"}):
        assessment = confirm(assessment, ground.account)
    assert assessment.status == "confirmed"
    assert (assessment.evidence.is_met, assessment.evidence.recorded_by) == (True, ground.assessor)
    assert verify().problems == []


def test_the_same_start_sent_twice_is_one_assessment(ground):
    press = uuid.uuid4()
    first = ground.start(assessment_id=press)
    with journals(None):
        assert ground.start(assessment_id=press) == first
        # Another page of the same walk-around leads to the open one too.
        assert ground.start() == first
    other = ground.appointed()
    with pytest.raises(ActionRefused, match="belongs to another assessment"):
        ground.start(by=other, assessment_id=press)


@pytest.mark.parametrize("last_day", [1, 30])
def test_an_expired_appointment_starts_nothing(ground, last_day):
    expired = ground.appointed(last_day=days_ago(last_day))
    with journals(None), pytest.raises(ActionRefused, match="no appointment in date") as refused:
        ground.start(by=expired)
    assert refused.value.field == "machine"
    assert not Assessment.objects.exists()


def test_an_appointment_counts_to_the_end_of_its_last_day_and_for_its_own_category_only(ground):
    assert ground.start(by=ground.appointed(last_day=days_ago(-1)))
    elsewhere = AccountFactory(roles=["trainer"])
    AppointmentFactory(account=elsewhere)
    with pytest.raises(ActionRefused, match="no appointment in date"):
        ground.start(by=elsewhere)


def test_nobody_assesses_themself(ground):
    oneself = AccountFactory(operator=OperatorFactory(site=ground.machine.site), roles=["trainer"])
    AppointmentFactory(account=oneself, category=ground.category)
    with pytest.raises(ActionRefused, match="Nobody assesses themself") as refused:
        ground.start(by=oneself, operator=oneself.operator)
    assert refused.value.field == "operator"


def test_a_role_at_another_site_does_not_reach_this_one(ground):
    stranger = AccountFactory(roles=[("trainer", SiteFactory())])
    AppointmentFactory(account=stranger, category=ground.category)
    with journals(None), pytest.raises(NotAllowed, match="at Brackenfell Quarry"):
        ground.start(by=stranger)


def test_without_a_standard_or_a_list_nothing_is_started(ground):
    machine = MachineFactory(site=ground.machine.site)
    AppointmentFactory(account=ground.assessor, category=machine.state.category)
    with pytest.raises(ActionRefused, match="No standard is in force"):
        ground.start(machine=machine)
    plain_standard(machine.state.category)
    with pytest.raises(ActionRefused, match="No checklist is in force"):
        ground.start(machine=machine)


def test_nobody_is_assessed_on_a_machine_out_of_service_or_once_they_have_left(ground):
    left = OperatorFactory(site=ground.machine.site, is_active=False)
    with pytest.raises(ActionRefused, match="not active"):
        ground.start(operator=left)
    MachineStateFactory(machine=ground.machine, is_in_service=False)
    with pytest.raises(ActionRefused, match="not in service"):
        ground.start()


def test_a_booking_of_somebody_else_is_not_used_up(ground):
    booking = Booking.objects.create(
        on=days_ago(0),
        site=ground.machine.site,
        machine=ground.machine,
        operator=OperatorFactory(site=ground.machine.site),
        assessor=ground.assessor,
        made_at=timezone.now(),
        made_by=ground.assessor,
    )
    with pytest.raises(ActionRefused, match="another operator"):
        ground.start(booking=booking)


def test_a_tap_sent_twice_is_kept_once_and_of_two_devices_the_last_counts_with_both_kept(ground):
    assessment = ground.start()
    name = uuid.uuid4()
    for _ in range(2):
        ground.mark(assessment, [(0, "unprompted")], sent_as=name)
    assert Tap.objects.count() == 1
    ground.mark(assessment, [(0, "missed")], device="two")
    kept = [(tap.mark, tap.device) for tap in assessment.taps.order_by("pk")]
    assert kept == [("unprompted", "one"), ("missed", "two")]
    assert sheet_of(assessment).points[0].standing.mark == "missed"


def test_the_order_is_that_of_arrival_whatever_a_device_s_clock_says(ground):
    assessment = ground.start()
    moment = timezone.now()
    marks = [
        GivenMark(ground.listed[2].pk, "unprompted", uuid.uuid4(), moment, "one"),
        GivenMark(ground.listed[1].pk, "unprompted", uuid.uuid4(), moment - timedelta(hours=2), "one"),
    ]
    give_marks(by=ground.assessor, assessment_id=assessment.pk, marks=marks)
    sheet = sheet_of(assessment)
    assert [point.place for point in sheet.points] == [None, 2, 1, None, None, None]
    assert sheet.has_clock_gone_back


def tap(point, mark):
    return Tap(listed_id=point, mark=mark)


def order_of(*taps):
    marks = marks_that_count(tap(*one) for one in taps)
    return sorted((p for p in marks if marks[p].order is not None), key=lambda p: marks[p].order)


def test_a_changed_mark_keeps_its_place_and_one_taken_back_gives_it_up():
    assert order_of((1, "unprompted"), (2, "unprompted"), (1, "unsafe")) == [1, 2]
    assert order_of((1, "unprompted"), (2, "unprompted"), (1, ""), (3, "prompted"), (1, "prompted")) == [
        2,
        3,
        1,
    ]
    assert order_of((1, "unprompted"), (2, "unprompted"), (1, "missed")) == [2]


def test_a_slip_that_the_next_tap_puts_right_keeps_its_place():
    assert order_of((1, "unprompted"), (2, "unprompted"), (1, "missed"), (1, "unprompted")) == [1, 2]
    assert order_of((1, "unprompted"), (2, "unprompted"), (1, ""), (1, "prompted")) == [1, 2]


def test_only_the_assessor_marks_and_only_the_points_of_this_assessment(ground):
    assessment = ground.start()
    with pytest.raises(NotAllowed):
        ground.mark(assessment, [(0, "unprompted")], by=ground.appointed())
    foreign = AssessmentFactory().points.first().listed
    given = GivenMark(foreign.pk, "unprompted", uuid.uuid4(), timezone.now())
    with pytest.raises(ActionRefused, match="not on this assessment"):
        give_marks(by=ground.assessor, assessment_id=assessment.pk, marks=[given])
    with pytest.raises(ActionRefused, match="none of the four"):
        ground.mark(assessment, [(0, "perfect")])
    assert not assessment.taps.exists()


def test_finishing_with_points_unmarked_names_them_and_changes_nothing(ground):
    assessment = ground.start()
    ground.mark(assessment, [(0, "unprompted"), (1, "unprompted")])
    with journals(None), pytest.raises(Unmarked, match="Engine oil, Coolant") as refused:
        finish_assessment(by=ground.assessor, assessment_id=assessment.pk)
    assert list(refused.value.points) == ground.listed[2:]
    assessment.refresh_from_db()
    assert (assessment.status, assessment.outcome) == ("marking", None)


def test_finishing_twice_is_once_and_the_marks_stand_from_then_on(ground):
    assessment = ground.finished()
    with journals(None):
        again = finish_assessment(by=ground.assessor, assessment_id=assessment.pk)
    assert again.finished_at == assessment.finished_at
    with pytest.raises(ActionRefused, match="marks stand"):
        ground.mark(assessment, [(0, "missed")])
    with pytest.raises(ActionRefused, match="marks stand"):
        ground.note(assessment, uuid.uuid4(), text="Later.")


def test_a_critical_point_missed_or_a_safety_order_broken_is_not_yet_competent(ground):
    assert not ground.finished({0: "missed"}).is_competent
    Precedence.objects.create(
        version=ground.yard.checklist,
        earlier=ground.listed[5],
        later=ground.listed[1],
        is_safety=True,
        why="Nobody hears otherwise.",
    )
    by = ground.appointed()
    broken = ground.finished(by=by)
    assert not broken.is_competent
    assert [breach["later"] for breach in broken.outcome["breaches"]] == [ground.listed[1].pk]


def test_a_note_sent_twice_is_one_and_a_photograph_is_kept_with_its_digest(ground):
    assessment, name = ground.start(), uuid.uuid4()
    kept = [ground.note(assessment, name, photograph=b"jpeg") for _ in range(2)]
    assert kept[0] == kept[1]
    note = PointNote.objects.get()
    assert note.photograph.read() == b"jpeg"
    assert len(note.photograph_sha256) == 64


def test_a_photograph_of_an_assessment_that_is_swapped_or_lost_is_told_by_the_journal(ground):
    assessment = ground.start()
    ground.mark(assessment, dict.fromkeys(range(6), "unprompted").items())
    note = ground.note(assessment, uuid.uuid4(), photograph=b"jpeg")
    finish_assessment(by=ground.assessor, assessment_id=assessment.pk)

    def told():
        report = verify()
        assert report.photographs == 1
        return {problem.kind for problem in report.problems if "photograph" in problem.kind}

    assert told() == set()
    with open(note.photograph.path, "wb") as file:
        file.write(b"another")
    assert told() == {"altered photograph"}
    note.photograph.storage.delete(note.photograph.name)
    assert told() == {"missing photograph"}


def unconfirmed(assessment, by, reason="Signed nothing, asked three times."):
    return record_unconfirmed(by=by, assessment_id=assessment.pk, reason=reason)


def days_later(assessment, days):
    return as_if_at(assessment.assessor_confirmed_at + timedelta(days=days))


def test_a_failed_assessment_that_its_operator_never_confirms_reaches_the_record(ground):
    assessment = confirm(ground.finished({0: "missed"}), ground.assessor)
    with (
        days_later(assessment, 8),
        journals(
            "assessment.unconfirmed",
            rows={"assessments.assessment", "competence.evidence"},
            reason="Signed nothing, asked three times.",
        ),
    ):
        made = unconfirmed(assessment, ground.assessor)
    made.refresh_from_db()
    assert (made.status, made.operator_confirmed_at, made.unconfirmed_by) == (
        "confirmed",
        None,
        ground.assessor,
    )
    evidence = Evidence.objects.get(pk=made.evidence_id)
    assert (evidence.operator, evidence.kind, evidence.is_met) == (ground.operator, "practical", False)
    with journals(None):
        assert unconfirmed(assessment, ground.appointed()).unconfirmed_by == ground.assessor
    with pytest.raises(ActionRefused, match="final already"):
        confirm(made, ground.account)


def test_an_operator_has_seven_whole_days_to_confirm(ground):
    assessment = confirm(ground.finished(), ground.assessor)
    with days_later(assessment, 7), journals(None), pytest.raises(ActionRefused, match="7 whole days"):
        unconfirmed(assessment, ground.assessor)
    with days_later(assessment, 8):
        assert unconfirmed(assessment, ground.assessor).status == "confirmed"


def test_the_days_begin_again_when_the_outcome_is_another(ground):
    assessment = confirm(ground.finished(), ground.assessor)
    with days_later(assessment, 8):
        lower_outcome(by=ground.assessor, assessment_id=assessment.pk, reason="Was told what came next.")
        with pytest.raises(ActionRefused, match="confirms first"):
            unconfirmed(assessment, ground.assessor)
        again = confirm(Assessment.objects.get(pk=assessment.pk), ground.assessor)
    with days_later(again, 7), pytest.raises(ActionRefused, match="7 whole days"):
        unconfirmed(again, ground.assessor)


def test_who_may_record_that_the_operator_did_not_confirm(ground):
    assessment = confirm(ground.finished(), ground.assessor)
    elsewhere = AccountFactory(roles=[("trainer", SiteFactory())])
    themself = AccountFactory(roles=["trainer"])
    themself.operator = ground.operator
    with days_later(assessment, 9):
        for wrong in (elsewhere, AccountFactory(roles=["site_admin"]), ground.account, themself):
            with pytest.raises(NotAllowed), journals(None):
                unconfirmed(assessment, wrong)
        with pytest.raises(ActionRefused, match="Say why"):
            unconfirmed(assessment, ground.assessor, reason="  ")
        another = AccountFactory(roles=[("trainer", assessment.site)])
        assert unconfirmed(assessment, another).unconfirmed_by == another
    # The finding stays the assessor's.
    assert Evidence.objects.get(came_from__contains=assessment.number).recorded_by == ground.assessor


def test_what_the_operator_has_confirmed_or_nobody_has_finished_is_not_recorded_as_unconfirmed(ground):
    signed = confirm(ground.finished(), ground.account)
    being_marked = ground.start(by=ground.appointed())
    for assessment in (signed, being_marked):
        with pytest.raises(ActionRefused, match="does not wait for its operator"):
            unconfirmed(assessment, ground.assessor)


def test_lowering_takes_a_reason_and_whoever_confirmed_confirms_again(ground):
    assessment = ground.finished()
    confirm(assessment, ground.account)
    with pytest.raises(ActionRefused, match="Say why"):
        lower_outcome(by=ground.assessor, assessment_id=assessment.pk, reason=" ")
    with journals("assessment.lowered", reason="Was told what came next."):
        assessment = lower_outcome(
            by=ground.assessor, assessment_id=assessment.pk, reason="Was told what came next."
        )
    assert not assessment.is_competent
    assert assessment.outcome["is_competent"]
    assert assessment.operator_confirmed_at is None
    with pytest.raises(ActionRefused, match="changed meanwhile"):
        confirm(assessment, ground.account, is_competent=True)


def test_only_another_appointed_assessor_raises_an_outcome(ground):
    assessment = ground.finished({0: "missed"})
    reason = "The nuts were checked on the way in; I saw it."
    for by, error in (
        (ground.assessor, ActionRefused),
        (ground.appointed(last_day=days_ago(1)), ActionRefused),
        (AccountFactory(roles=["site_admin"]), NotAllowed),
        (ground.account, NotAllowed),
    ):
        with journals(None), pytest.raises(error):
            raise_outcome(by=by, assessment_id=assessment.pk, reason=reason)
    second = ground.appointed()
    with journals("assessment.raised", reason=reason):
        assessment = raise_outcome(by=second, assessment_id=assessment.pk, reason=reason)
    assert assessment.is_competent
    assert assessment.raised_by == second
    confirm(assessment, ground.assessor)
    assessment = confirm(assessment, ground.account)
    # Who stands behind the outcome does not issue the ticket as another person.
    assert assessment.evidence.is_met
    assert assessment.evidence.recorded_by == second
    assert second.pk in practical_assessors(ground.operator, ground.category)


def test_a_raised_outcome_that_is_lowered_again_has_nobody_behind_its_raising(ground):
    assessment = ground.finished({0: "missed"})
    raise_outcome(by=ground.appointed(), assessment_id=assessment.pk, reason="Seen.")
    assessment = lower_outcome(by=ground.assessor, assessment_id=assessment.pk, reason="Not seen.")
    assert (assessment.is_competent, assessment.raised_by) == (False, None)


def test_the_wrong_person_confirms_nothing_and_nothing_is_lost(ground):
    assessment = ground.finished()
    confirm(assessment, ground.assessor)
    for wrong in (AccountFactory(operator=OperatorFactory()), ground.appointed()):
        with journals(None), pytest.raises(NotAllowed, match="each for themself"):
            confirm(assessment, wrong)
    assessment.refresh_from_db()
    assert assessment.assessor_confirmed_at
    assert assessment.operator_confirmed_at is None


def test_confirming_twice_writes_the_evidence_once(ground):
    assessment = ground.confirmed()
    with journals(None):
        for by in (ground.assessor, ground.account):
            confirm(assessment, by)
    assert practicals(ground).count() == 1


def test_the_operator_can_confirm_although_the_assessor_has_lost_the_role_since(ground):
    assessment = ground.finished({0: "missed"})
    confirm(assessment, ground.assessor)
    ground.assessor.roles.update(ended_at=timezone.now())
    assert confirm(assessment, ground.account).status == "confirmed"
    assert practicals(ground).get().is_met is False


def test_the_evidence_s_day_is_the_operator_s_own_where_the_machine_s_is_tomorrow(ground):
    far = SiteFactory(zone="Pacific/Auckland")
    machine = MachineFactory(site=far, category=ground.category)
    moment = timezone.now().replace(hour=14)
    with as_if_at(moment if moment < timezone.now() else moment - timedelta(days=1)):
        assessment = ground.confirmed(machine=machine)
    assert assessment.evidence.occurred_on == assessment.finished_at.date()


def test_a_marking_alongside_is_of_the_same_points_by_another_and_writes_no_evidence(ground):
    first = ground.start()
    MachineStateFactory(machine=ground.machine)
    second = ground.appointed()
    alongside = ground.finished(by=second, alongside=first)
    assert alongside.alongside == first
    for by in (second, ground.account):
        alongside = confirm(alongside, by)
    assert alongside.status == "confirmed"
    assert alongside.evidence is None
    assert not practicals(ground).exists()
    third = ground.appointed()
    with pytest.raises(ActionRefused, match="second marking") as refused:
        ground.start(by=third, alongside=alongside)
    assert refused.value.field == "alongside"
    with pytest.raises(ActionRefused, match="another operator"):
        ground.start(by=third, operator=OperatorFactory(site=ground.machine.site), alongside=first)


def test_nobody_marks_alongside_what_they_may_have_read(ground):
    first, second = ground.start(), ground.appointed()
    once = ground.start(by=second, alongside=first)
    abandon_assessment(by=second, assessment_id=once.pk, reason="Called away")
    with pytest.raises(ActionRefused, match="alongside already"):
        ground.start(by=second, alongside=first)
    ground.mark(first, dict.fromkeys(range(6), "unprompted").items())
    finish_assessment(by=ground.assessor, assessment_id=first.pk)
    with pytest.raises(ActionRefused, match="is over"):
        ground.start(by=ground.appointed(), alongside=first)


def test_abandoning_keeps_every_mark_and_is_no_evidence(ground):
    assessment = ground.start()
    ground.mark(assessment, [(0, "unprompted")])
    with pytest.raises(ActionRefused, match="Say why"):
        abandon_assessment(by=ground.assessor, assessment_id=assessment.pk, reason="")
    with journals("assessment.abandoned", reason="Thunderstorm."):
        abandon_assessment(by=ground.assessor, assessment_id=assessment.pk, reason="Thunderstorm.")
    assert assessment.taps.count() == 1
    assert not practicals(ground).exists()
    with pytest.raises(ActionRefused, match="is over"):
        abandon_assessment(by=ground.assessor, assessment_id=assessment.pk, reason="Again.")


def test_a_correction_stands_beside_what_was_confirmed_and_its_evidence_counts(ground):
    assessment = ground.confirmed()
    for by, is_competent, words in (
        (ground.assessor, True, "says already"),
        (ground.appointed(last_day=days_ago(1)), False, "no appointment"),
    ):
        with journals(None), pytest.raises(ActionRefused, match=words):
            correct_assessment(by=by, assessment_id=assessment.pk, is_competent=is_competent, reason="Wrong.")
    with journals("assessment.corrected", rows={"assessments.assessmentcorrection", "competence.evidence"}):
        made = correct_assessment(
            by=ground.assessor, assessment_id=assessment.pk, is_competent=False, reason="Wrong person."
        )
    assert made.evidence.corrects == assessment.evidence
    assert not made.evidence.is_met
    with pytest.raises(ActionRefused, match="second appointed"):
        correct_assessment(by=ground.assessor, assessment_id=assessment.pk, is_competent=True, reason="No.")
    assessment.refresh_from_db()
    assert assessment.is_competent


def test_evidence_is_no_ticket_and_the_assessor_does_not_issue_where_another_must(ground):
    category = ground.category
    plain_standard(category, issue_by_another=True)
    ground.operator = OperatorFactory(site=ground.machine.site)
    ground.account = AccountFactory(operator=ground.operator)
    ground.confirmed()
    assert not ground.operator.tickets.exists()
    issue = {"operator": ground.operator, "category": category, "level": "full", "reason": "Assessed."}
    with pytest.raises(ActionRefused):
        issue_ticket(by=ground.assessor, **issue)


def test_a_note_says_or_shows_something(ground):
    assessment = ground.start()
    with pytest.raises(ActionRefused, match="remark or take a photograph"):
        ground.note(assessment, uuid.uuid4())
