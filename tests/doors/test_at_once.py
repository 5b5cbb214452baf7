"""Two people press at the same moment, each on a screen of their own: one is done, the other reads why not.

What the actions themselves do is in tests/actions/test_at_once.py.
"""

import uuid

import pytest
from django.urls import reverse
from django.utils import timezone

from assessments.actions.outcomes import confirm_assessment, correct_assessment, raise_outcome
from assessments.actions.practical import finish_assessment
from assessments.models import Assessment, AssessmentCorrection, Booking, Plan, Tap
from competence.actions.erasures import erase_person
from competence.actions.errors import ActionRefused
from competence.models import Absence, DailyCheck, Defect, Erasure, JournalEntry, JournalledRow, Ticket
from tests.actions.test_at_once import at_once, entries, one_wins
from tests.actions.test_erasures import leave
from tests.actions.test_practical import Ground
from tests.doors.check_yard import a_yard, signed_in
from tests.doors.people_world import people_world
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    DefectFactory,
    FindingFactory,
    MachineFactory,
    OperatorFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import days_ago, moment_ago

# Rows are written and committed for real: two connections see only that.
pytestmark = pytest.mark.django_db(transaction=True)


def both_post(accounts, url, typed, **more):
    """The same form from two screens at once: the answers, the one that was done first."""
    clients = [signed_in(account) for account in accounts]
    for client in clients:
        client.get(reverse("home"))
    answers = at_once(*(lambda client=client: client.post(url, typed, **more) for client in clients))
    assert not any(isinstance(answer, Exception) for answer in answers), answers
    return sorted(answers, key=lambda answer: answer.status_code != 302)


def one_done(answers, *told):
    """One was led on; the other stays on its page and reads why, with what was typed still there."""
    done, refused = answers
    assert (done.status_code, refused.status_code) == (302, 200)
    page = refused.content.decode()
    for words in told:
        assert words in page


def test_two_issue_one_ticket():
    world = people_world()
    typed = {"category": world.category.pk, "level": "trainee", "reason": "Starts today."}
    second = AccountFactory(roles=[("trainer", world.site)])
    one_done(both_post([world.trainer, second], reverse("ticket-issue", args=["OP2"]), typed), "holds ticket")
    assert Ticket.objects.filter(operator=world.newcomer).count() == entries("ticket.issued") == 1


def test_two_close_one_defect():
    defect = DefectFactory(opened_by__daily_check__started_at=moment_ago(1))
    admins = AccountFactory.create_batch(2, roles=["site_admin"])
    answers = both_post(admins, reverse("defect", args=[defect.pk]), {"done": "New hose."})
    one_done(answers, "closed this defect already")
    assert Defect.objects.get().done == "New hose."
    assert entries("defect.closed") == 1


def test_one_check_is_handed_in_from_two_phones():
    yard = a_yard()
    draft = yard.draft()
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    typed = {"refusal_id": uuid.uuid4(), "hour_meter": "1200.0"}
    answers = both_post([yard.account] * 2, reverse("check-finish", args=[draft.pk]), typed)
    result = reverse("check-result", args=[draft.pk])
    assert [answer["Location"] for answer in answers] == [result, result]
    assert DailyCheck.objects.get().status == "submitted"
    assert entries("check.submitted") == 1


def test_one_walk_around_is_marked_and_finished_from_two_phones():
    """The mark that meets the finish is in the journal with the others, or is refused; never between."""
    ground = Ground()
    assessment = ground.start()
    ground.mark(assessment, [(place, "unprompted") for place in range(6)])
    mark = {"point": ground.listed[0].pk, "mark": "missed", "sent_as": str(uuid.uuid4())}
    phone = signed_in(ground.assessor)
    url = reverse("assessment-marks", args=[assessment.pk])
    tapped, finished = at_once(
        lambda: phone.post(url, {"device": "b", "marks": [mark]}, content_type="application/json"),
        lambda: finish_assessment(by=ground.assessor, assessment_id=assessment.pk),
    )
    assert isinstance(finished, Assessment), finished
    was_kept = Tap.objects.filter(sent_as=mark["sent_as"]).exists()
    assert tapped.status_code == (200 if was_kept else 409)
    if not was_kept:
        assert "no longer being marked" in tapped.json()["sentence"]
    held = JournalledRow.objects.filter(entry__action="assessment.finished", kind="assessments.tap")
    assert held.count() == Tap.objects.count()


def test_two_tap_the_same_mark_and_it_is_kept_once():
    ground = Ground()
    assessment = ground.start()
    mark = {"point": ground.listed[0].pk, "mark": "missed", "sent_as": str(uuid.uuid4())}
    url = reverse("assessment-marks", args=[assessment.pk])
    said = {"device": "b", "marks": [mark]}
    answers = both_post([ground.assessor] * 2, url, said, content_type="application/json")
    assert [answer.status_code for answer in answers] == [200, 200]
    assert Tap.objects.count() == 1


def test_an_outcome_is_confirmed_while_a_second_assessor_raises_it():
    """Nobody is left as having confirmed what was changed under their hands."""
    ground = Ground()
    assessment = ground.finished(dict.fromkeys(range(6), "missed"))
    second = ground.appointed()
    confirmed, raised = at_once(
        lambda: confirm_assessment(by=ground.assessor, assessment_id=assessment.pk, is_competent=False),
        lambda: raise_outcome(by=second, assessment_id=assessment.pk, reason="Saw it all."),
    )
    assert isinstance(raised, Assessment), raised
    if isinstance(confirmed, Exception):
        assert isinstance(confirmed, ActionRefused)
        assert "changed meanwhile" in confirmed.sentence
    assessment.refresh_from_db()
    assert (assessment.is_competent, assessment.raised_by) == (True, second)
    assert assessment.assessor_confirmed_at is None


def test_two_assessors_correct_one_assessment():
    ground = Ground()
    assessment = ground.confirmed()

    def correct(by):
        said = {"is_competent": False, "reason": "It was another machine."}
        return lambda: correct_assessment(by=by, assessment_id=assessment.pk, **said)

    _, told = one_wins(at_once(correct(ground.assessor), correct(ground.appointed())))
    assert told == "That is what it says already."
    assert AssessmentCorrection.objects.count() == 1


def test_two_enter_the_same_absence():
    site = SiteFactory(zone="UTC")
    operator = OperatorFactory(site=site, given_name="Ada", family_name="Ashworth")
    admins = AccountFactory.create_batch(2, roles=[("site_admin", site)])
    typed = {
        "operators": [operator.pk],
        "first_day": days_ago(-3).isoformat(),
        "last_day": days_ago(-6).isoformat(),
        "kind": "leave",
    }
    url = f"{reverse('absence-new')}?site={site.code}"
    one_done(both_post(admins, url, typed), "Ada Ashworth", "away")
    assert Absence.objects.count() == entries("absence.entered") == 1


def test_two_erase_one_person():
    gone = OperatorFactory(number="QX-7")
    leave(gone, 100)
    admins = AccountFactory.create_batch(2, roles=["site_admin"])

    def erase(by):
        return lambda: erase_person(by=by, whom=gone, why="Asked in writing", typed="QX-7")

    _, told = one_wins(at_once(*map(erase, admins)))
    assert "erased already" in told
    assert Erasure.objects.count() == entries("erasure.made") == 1


def test_two_accept_one_plan():
    machine = MachineFactory(site=SiteFactory(zone="UTC"))
    plain_standard(category=machine.state.category)
    trainers = AccountFactory.create_batch(2, roles=[("trainer", machine.site)])
    AppointmentFactory(account=trainers[0], category=machine.state.category)
    people = [authorised_operator(machine, last_day=days_ago(-10)) for _ in range(2)]
    numbers = [person.tickets.get().number for person in people]
    on, ends = days_ago(-3).isoformat(), days_ago(-10).isoformat()
    made = Plan.objects.create(
        made_by=trainers[0],
        made_at=timezone.now(),
        finished_at=timezone.now(),
        status="finished",
        asked={"sites": [machine.site.code]},
        found={
            "placements": [
                {"ticket": number, "ends": ends, "assessor": str(trainers[0].pk), "on": on}
                for number in numbers
            ]
        },
    )
    answers = both_post(trainers, reverse("plan-accept", args=[made.pk]), {"ticket": numbers})
    assert [answer.status_code for answer in answers] == [302, 302]
    told = [answer.wsgi_request._messages for answer in answers]
    sentences = sorted(str(message) for messages in told for message in messages._queued_messages)
    assert [sentence for sentence in sentences if sentence.endswith("Nothing was booked.")], sentences
    assert [sentence for sentence in sentences if sentence.startswith("2 booked.")], sentences
    assert Booking.objects.count() == 2
    assert JournalEntry.objects.filter(action="booking.made").count() == 1
