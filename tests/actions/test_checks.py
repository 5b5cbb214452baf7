"""A daily check as it is written: through the gate, once, and with what it raises."""

import uuid
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.checks import ON_SUBMITTED, ListChanged, Unanswered, start_check, submit_check
from competence.actions.clock import as_if_at
from competence.actions.defects import close_defect
from competence.actions.drafts import Answer, save_findings, set_aside_check, take_current_list
from competence.actions.errors import ActionRefused
from competence.models import DailyCheck, Defect, JournalEntry, Refusal
from competence.permissions import NotAllowed
from tests.doors.check_yard import a_trainee, a_yard
from tests.factories import (
    AccountFactory,
    ChecklistVersionFactory,
    DefectFactory,
    EvidenceFactory,
    FeatureFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    PointFactory,
    TicketEventFactory,
    authorised_operator,
    plain_standard,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def yard():
    return a_yard()


def start(yard, account=None, **fields):
    given = {"by": account or yard.account, "check_id": uuid.uuid4(), "machine": yard.machine} | fields
    return start_check(**given)


def answer_all(yard, check, account=None, **unlike):
    """Good everywhere, save at the points named: ``Leaks=("defect", "report")``."""
    answers = []
    for listed in yard.listed:
        kind, grade = unlike.get(listed.point.title.replace(" ", "_"), ("good", ""))
        answers.append(Answer(listed, kind, grade, note="Seen", not_reached_reason="Could not get there"))
    save_findings(by=account or yard.account, daily_check=check, answers=answers)


def submit(yard, check, account=None, **fields):
    given = {"by": account or yard.account, "daily_check": check, "hour_meter": Decimal("1200.0")} | fields
    return submit_check(**given)


def actions():
    return list(JournalEntry.objects.order_by("pk").values_list("action", flat=True))


def test_a_start_keeps_the_verdict_with_the_facts_it_rested_on(yard):
    check = start(yard)
    assert check.verdict["allowed"] is True
    assert check.verdict["facts"]["machine"]["number"] == "DT-014"
    assert actions() == ["check.started"]


def test_a_refusal_keeps_every_reason_and_its_facts(yard):
    stranger = AccountFactory(operator=OperatorFactory(site=yard.machine.site))
    refusal = start(yard, stranger)
    assert isinstance(refusal, Refusal)
    assert {r["code"] for r in refusal.verdict["reasons"]} == {
        "ticket_missing",
        "medical_not_met",
        "induction_not_met",
        "familiarisation_not_met",
    }
    assert refusal.verdict["facts"]["person"]["tickets"] == []
    assert actions() == ["check.refused"]


def test_the_same_press_is_the_same_check_and_not_another_s(yard):
    press = uuid.uuid4()
    first = start(yard, check_id=press)
    assert start(yard, check_id=press) == first
    other = AccountFactory(operator=authorised_operator(yard.machine))
    with pytest.raises(ActionRefused, match="belongs to another check"):
        start(yard, other, check_id=press)
    assert actions() == ["check.started"]


def test_without_a_checklist_in_force_nobody_starts():
    yard = a_yard()
    yard.machine = MachineFactory(site=yard.machine.site)
    plain_standard(yard.machine.state.category)
    authorised_operator(yard.machine, operator=yard.operator)
    with pytest.raises(ActionRefused, match="No checklist is in force"):
        start(yard)


def test_a_draft_goes_on_under_the_supervisor_who_confirmed_last(yard):
    trainee = a_trainee(yard)
    second = AccountFactory(operator=authorised_operator(yard.machine))
    check = start(yard, trainee, supervisor=yard.operator, supervisor_account=yard.account)
    again = start(yard, trainee, supervisor=second.operator, supervisor_account=second)
    assert again == check
    assert DailyCheck.objects.get().supervisor == second.operator
    assert actions() == ["check.started", "check.supervisor_changed"]


def test_another_s_sign_in_does_not_confirm_for_the_named_supervisor(yard):
    second = AccountFactory(operator=authorised_operator(yard.machine))
    refusal = start(yard, a_trainee(yard), supervisor=yard.operator, supervisor_account=second)
    assert [r["code"] for r in refusal.verdict["reasons"]] == ["supervisor_not_confirmed"]


def test_a_draft_of_an_earlier_shift_is_put_away_and_a_new_one_begun(yard):
    with as_if_at(timezone.now() - timedelta(hours=13)):
        old = start(yard)
    new = start(yard)
    old.refresh_from_db()
    assert (old.status, new.status) == ("set_aside", "draft")
    with pytest.raises(ActionRefused, match="set aside"):
        submit(yard, old)


def test_a_draft_older_than_a_shift_is_not_submitted(yard):
    with as_if_at(timezone.now() - timedelta(hours=13)):
        old = start(yard)
        answer_all(yard, old)
    with pytest.raises(ActionRefused, match="earlier shift"):
        submit(yard, old)


def test_only_its_operator_answers_a_check(yard):
    check = start(yard)
    other = AccountFactory(operator=authorised_operator(yard.machine))
    with pytest.raises(NotAllowed):
        answer_all(yard, check, other)


def test_a_defect_without_a_note_is_not_kept(yard):
    check = start(yard)
    with pytest.raises(ValidationError):
        save_findings(
            by=yard.account, daily_check=check, answers=[Answer(yard.listed[1], "defect", "report")]
        )


def test_a_point_whose_feature_is_not_fitted_is_not_asked():
    yard = a_yard()
    camera = FeatureFactory(name="Camera")
    points = [yard.listed[0].point, PointFactory(title="Camera picture", feature=camera)]
    ChecklistVersionFactory(category=yard.machine.state.category, points=points)
    check = start(yard)
    listed = list(check.checklist.listed.order_by("position"))
    with pytest.raises(ActionRefused, match="not on this machine's list"):
        save_findings(by=yard.account, daily_check=check, answers=[Answer(listed[1], "good")])
    save_findings(by=yard.account, daily_check=check, answers=[Answer(listed[0], "good")])
    assert submit(yard, check).result == "fit"


def test_what_is_fitted_while_the_draft_is_open_is_asked_too(yard):
    camera = FeatureFactory(name="Camera")
    points = [yard.listed[0].point, PointFactory(title="Camera picture", feature=camera)]
    ChecklistVersionFactory(category=yard.machine.state.category, points=points)
    check = start(yard)
    save_findings(
        by=yard.account, daily_check=check, answers=[Answer(check.checklist.listed.first(), "good")]
    )
    MachineStateFactory(machine=yard.machine, features=[camera])
    with pytest.raises(Unanswered, match="Camera picture"):
        submit(yard, check)


def test_a_check_with_a_point_unanswered_is_not_counted(yard):
    check = start(yard)
    save_findings(by=yard.account, daily_check=check, answers=[Answer(yard.listed[0], "good")])
    with pytest.raises(Unanswered) as refused:
        submit(yard, check)
    assert [listed.point.title for listed in refused.value.points] == [
        "Leaks",
        "Engine oil",
        "Coolant",
        "Seat belt",
        "Horn",
    ]


@pytest.mark.parametrize(
    ("unlike", "result"),
    [
        ({}, "fit"),
        ({"Leaks": ("defect", "report")}, "fit"),
        ({"Leaks": ("not_reached", "")}, "fit"),
        ({"Leaks": ("defect", "stop_use")}, "do_not_use"),
        ({"Wheel_nuts": ("defect", "report")}, "do_not_use"),
        ({"Wheel_nuts": ("not_reached", "")}, "do_not_use"),
    ],
)
def test_what_was_found_decides_the_result(yard, unlike, result):
    check = start(yard)
    answer_all(yard, check, **unlike)
    assert submit(yard, check).result == result


def test_an_open_stop_use_defect_makes_the_machine_unfit_whoever_asks(yard):
    DefectFactory(machine=yard.machine, grade="stop_use", opened_by__daily_check__checklist=yard.checklist)
    check = start(yard)
    answer_all(yard, check)
    assert submit(yard, check, hour_meter_note="Read twice").result == "do_not_use"


def test_submitting_twice_counts_once(yard):
    check = start(yard)
    answer_all(yard, check, Leaks=("defect", "report"))
    first = submit(yard, check)
    again = submit(yard, check, hour_meter=Decimal("9999"))
    assert (again.submitted_at, again.hour_meter) == (first.submitted_at, Decimal("1200.0"))
    assert Defect.objects.count() == 1
    assert actions() == ["check.started", "check.submitted"]


class TestWhoHearsOfASubmission:
    def test_its_rows_are_journalled_with_the_check_and_once(self, yard, monkeypatch):
        def hear(check):
            assert check.status == DailyCheck.Status.SUBMITTED
            return [EvidenceFactory(operator=check.operator, kind="medical")]

        monkeypatch.setattr("competence.actions.checks.ON_SUBMITTED", [*ON_SUBMITTED, hear])
        check = start(yard)
        answer_all(yard, check)
        before = yard.operator.evidence.count()
        submit(yard, check)
        submit(yard, check)
        assert yard.operator.evidence.count() == before + 1
        entry = JournalEntry.objects.get(action="check.submitted")
        assert {row.kind for row in entry.rows.all()} >= {"competence.dailycheck", "competence.evidence"}

    def test_where_one_fails_nothing_is_submitted(self, yard, monkeypatch):
        def fail(check):
            raise ActionRefused("Not now.")

        monkeypatch.setattr("competence.actions.checks.ON_SUBMITTED", [fail])
        check = start(yard)
        answer_all(yard, check)
        with pytest.raises(ActionRefused):
            submit(yard, check)
        check.refresh_from_db()
        assert check.status == DailyCheck.Status.DRAFT
        assert actions() == ["check.started"]


def test_a_defect_seen_again_is_one_defect_graded_up_and_never_down(yard):
    for grade, kept in (("report", "report"), ("stop_use", "stop_use"), ("report", "stop_use")):
        check = start(yard)
        answer_all(yard, check, Leaks=("defect", grade))
        submit(yard, check)
        assert Defect.objects.get().grade == kept
    assert Defect.objects.get().sightings.count() == 2


def test_a_defect_found_again_after_it_was_closed_is_a_new_one(yard):
    check = start(yard)
    answer_all(yard, check, Leaks=("defect", "report"))
    submit(yard, check)
    close_defect(by=AccountFactory(roles=["site_admin"]), defect=Defect.objects.get(), done="New hose")
    check = start(yard)
    answer_all(yard, check, Leaks=("defect", "report"))
    submit(yard, check)
    assert [d.is_open for d in Defect.objects.order_by("pk")] == [False, True]


def test_a_photograph_goes_with_the_answer_that_it_belonged_to(
    yard, photographs: Path, django_capture_on_commit_callbacks
):
    check = start(yard)
    leaks = yard.listed[1]
    for picture in (b"first", b"second"):
        with django_capture_on_commit_callbacks(execute=True):
            save_findings(
                by=yard.account,
                daily_check=check,
                answers=[Answer(leaks, "defect", "report", "Drip", photograph=picture)],
            )
    # A replaced photograph leaves no file behind.
    assert [file.read_bytes() for file in photographs.rglob("*.jpg")] == [b"second"]
    # A slip of the thumb to good and back keeps it.
    save_findings(by=yard.account, daily_check=check, answers=[Answer(leaks, "good")])
    save_findings(by=yard.account, daily_check=check, answers=[Answer(leaks, "defect", "report", "Drip")])
    assert check.findings.get().photograph.read() == b"second"
    answer_all(yard, check)
    with django_capture_on_commit_callbacks(execute=True):
        submit(yard, check)
    assert not check.findings.get(listed=leaks).photograph
    assert not list(photographs.rglob("*.jpg"))


def test_the_same_wording_keeps_its_answer_on_a_new_list(yard):
    check = start(yard)
    answer_all(yard, check)
    kept = [listed.point for listed in yard.listed[:2]]
    ChecklistVersionFactory(category=yard.machine.state.category, points=[*kept, PointFactory(title="New")])
    with pytest.raises(ListChanged):
        submit(yard, check)
    assert take_current_list(by=yard.account, daily_check=check) == 2
    check.refresh_from_db()
    new = check.checklist.listed.get(point__title="New")
    save_findings(by=yard.account, daily_check=check, answers=[Answer(new, "good")])
    assert submit(yard, check).result == "fit"


# Before and after midnight at the site (Europe/London, winter: the same as UTC).
EVENING = datetime(2026, 1, 14, 22, 0, tzinfo=UTC)
NIGHT = datetime(2026, 1, 15, 2, 0, tzinfo=UTC)


def test_a_shift_past_midnight_is_judged_at_its_start(time_machine):
    time_machine.move_to(EVENING)
    yard = a_yard()
    operator = authorised_operator(
        yard.machine,
        operator=OperatorFactory(site=yard.machine.site),
        first_day=EVENING.date() - timedelta(days=30),
        last_day=EVENING.date(),
    )
    account = AccountFactory(operator=operator)
    check = start(yard, account)
    assert "ends at midnight tonight" in check.verdict["notices"][0]
    answer_all(yard, check, account)
    time_machine.move_to(NIGHT)
    assert submit(yard, check, account).status == "submitted"
    # The next shift is refused.
    refusal = start(yard, account)
    assert [r["code"] for r in refusal.verdict["reasons"]] == ["ticket_ended"]


def test_who_is_suspended_after_midnight_is_stopped_at_the_end(time_machine):
    time_machine.move_to(EVENING)
    yard = a_yard()
    check = start(yard)
    answer_all(yard, check)
    time_machine.move_to(NIGHT)
    TicketEventFactory(ticket=yard.operator.tickets.get(), kind="suspended")
    press = uuid.uuid4()
    first = submit(yard, check, refusal_id=press)
    assert [r["code"] for r in first.verdict["reasons"]] == ["ticket_suspended"]
    assert submit(yard, check, refusal_id=press) == first
    assert Refusal.objects.count() == 1
    check.refresh_from_db()
    assert check.status == "draft"


def test_a_clock_that_is_near_enough_is_not_kept(yard):
    for minutes, is_kept in ((4, False), (6, True)):
        check = start(yard)
        answer_all(yard, check)
        submit(yard, check, device_clock_at=timezone.now() + timedelta(minutes=minutes))
        check.refresh_from_db()
        assert (check.device_clock_at is not None) is is_kept


def test_a_set_aside_check_takes_no_answer_and_says_so(yard):
    check = start(yard)
    set_aside_check(by=yard.account, daily_check=check, reason="Wrong machine")
    with pytest.raises(ActionRefused, match="was set aside"):
        answer_all(yard, check)
    assert actions() == ["check.started", "check.set_aside"]
