"""The doors of the practical assessment: what the pages say, take and keep."""

import io
import json
import uuid
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from assessments.models import Assessment, PointNote, Tap
from competence.models import Evidence, Precedence
from tests.doors.check_yard import a_photograph, a_yard, signed_in
from tests.factories import (
    PASSWORD,
    AccountFactory,
    AppointmentFactory,
    DefectFactory,
    FeatureFactory,
    ListedPointFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    PointFactory,
    SiteFactory,
)
from tests.factories.assessments import AssessmentFactory, PointNoteFactory, TapFactory
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db


class Door:
    """A yard, its appointed assessor signed in, and an assessment at any stage."""

    def __init__(self) -> None:
        self.yard = a_yard()
        self.machine, self.operator, self.listed = self.yard.machine, self.yard.operator, self.yard.listed
        self.category = self.machine.state.category
        self.assessor = self.appointed(username="greta", first_name="Greta", last_name="Dunmore")
        self.client = signed_in(self.assessor)

    def appointed(self, **fields):
        account = AccountFactory(roles=["trainer"], **fields)
        AppointmentFactory(account=account, category=self.category)
        return account

    def assessment(self, **fields) -> Assessment:
        return AssessmentFactory(
            **{
                "machine": self.machine,
                "operator": self.operator,
                "assessor": self.assessor,
                "checklist": self.yard.checklist,
                "standard_version": self.category.standard_versions.get(),
                **fields,
            }
        )

    def send(self, assessment, *marks, client=None, device="phone"):
        body = {
            "device": device,
            "marks": [
                {
                    "point": self.listed[place].pk,
                    "mark": mark,
                    "sent_as": str(uuid.uuid4()),
                    "tapped_at": timezone.now().isoformat(),
                }
                for place, mark in marks
            ],
        }
        return self.post_json(assessment, json.dumps(body), client)

    def post_json(self, assessment, body, client=None):
        return (client or self.client).post(at("marks", assessment), body, content_type="application/json")


def at(name, assessment):
    return reverse(f"assessment-{name}" if name else "assessment", args=[assessment.pk])


def page(answer) -> str:
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.fixture
def door():
    return Door()


def asked(operator="op100", machine="dt-014", **more):
    return {"operator": operator, "machine": machine, **more}


def test_the_start_says_what_was_shown_before_and_what_is_missing(door):
    newcomer = OperatorFactory(number="OP300", site=door.machine.site)
    text = page(door.client.get(reverse("assessment-start"), asked("op300")))
    assert newcomer.name in text
    assert "4 of 4" in text
    assert "Not on record" in text
    # The operator of the yard has shown it all.
    assert "asks for besides is met" in page(door.client.get(reverse("assessment-start"), asked()))


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        (asked("OP999"), "operator", "Nobody on the register has the operator number OP999"),
        (asked(machine="nothing"), "machine", "No machine on the register has the fleet number NOTHING"),
        (asked(machine="", operator="\x00"), "machine", "Type the fleet number"),
    ],
)
@pytest.mark.parametrize("method", ["get", "post"])
def test_a_wrong_number_is_said_at_its_field_and_stays_as_typed(door, typed, field, words, method):
    answer = getattr(door.client, method)(reverse("assessment-start"), typed)
    assert words in page(answer)
    assert field in answer.context["form"].errors
    assert not Assessment.objects.exists()


@pytest.mark.parametrize("method", ["get", "post"])
def test_whoever_may_not_assess_here_reads_why_before_walking_to_the_machine(door, method):
    expired = AccountFactory(roles=["trainer"])
    AppointmentFactory(account=expired, category=door.category, last_day=days_ago(1))
    elsewhere = AccountFactory(roles=[("trainer", SiteFactory())])
    oneself = AccountFactory(
        roles=["trainer"], operator=OperatorFactory(number="OP400", site=door.machine.site)
    )
    for account, operator, field, words in (
        (expired, "OP100", "machine", "holds no appointment in date to assess Articulated dumper"),
        (elsewhere, "OP100", "machine", "needs the role trainer at Brackenfell Quarry"),
        (oneself, "OP400", "operator", "Nobody assesses themself"),
    ):
        answer = getattr(signed_in(account), method)(reverse("assessment-start"), asked(operator))
        assert words in page(answer)
        assert field in answer.context["form"].errors
    assert not Assessment.objects.exists()


def test_two_presses_start_one_assessment_and_lead_to_it(door):
    press = asked(assessment_id=str(uuid.uuid4()))
    answers = [door.client.post(reverse("assessment-start"), press) for _ in range(2)]
    only = Assessment.objects.get()
    assert [answer["Location"] for answer in answers] == [at("", only)] * 2
    assert only.points.count() == 6
    assert "Not seen through yet" in page(door.client.get(reverse("assessment-start")))


def test_a_machine_with_a_stop_use_defect_is_said_not_to_be_started(door):
    DefectFactory(machine=door.machine, grade="stop_use")
    assert "not to be started" in page(door.client.get(reverse("assessment-start"), asked()))
    assert "Do not let it be started" in page(door.client.get(at("", door.assessment())))


def test_a_colleague_s_open_assessment_can_be_marked_alongside_without_seeing_it(door):
    first = door.assessment()
    second = door.appointed()
    client = signed_in(second)
    assert "I mark alongside Greta Dunmore" in page(client.get(reverse("assessment-start"), asked()))
    client.post(reverse("assessment-start"), asked(alongside=first.pk))
    assert Assessment.objects.get(assessor=second).alongside == first
    assert client.get(at("record", first)).status_code == 403
    assert "Kept from you" in page(client.get(reverse("assessment-list")))
    assert "no evidence" in page(client.get(reverse("assessment-start"), asked()))


def test_the_first_assessor_does_not_see_the_second_s_marks_before_finishing_either(door):
    first = door.assessment()
    second = door.assessment(assessor=door.appointed(), alongside=first, stage="finished")
    assert door.client.get(at("record", second)).status_code == 403
    assert door.client.get(at("pdf", second)).status_code == 403
    assert "Kept from you" in page(door.client.get(reverse("assessment-list")))
    door.send(first, *((place, "unprompted") for place in range(6)))
    door.client.post(at("finish", first))
    assert "Competent" in page(door.client.get(at("record", second)))
    assert "Kept from you" not in page(door.client.get(reverse("assessment-list")))


def test_marks_are_kept_as_they_are_tapped_and_what_stands_comes_back(door):
    assessment = door.assessment()
    answer = door.send(assessment, (2, "unprompted"), (0, "missed"))
    assert answer.status_code == 200
    said = answer.json()["marks"]
    assert said[str(door.listed[2].pk)] == {"mark": "unprompted", "order": 0, "device": "phone"}
    assert said[str(door.listed[0].pk)]["order"] is None
    other = door.send(assessment, (2, "unsafe"), device="tablet").json()["marks"]
    assert other[str(door.listed[2].pk)] == {"mark": "unsafe", "order": 0, "device": "tablet"}
    assert door.client.get(at("marks", assessment)).json()["marks"] == other
    assert Tap.objects.count() == 3


@pytest.mark.parametrize(
    "body",
    [
        "",
        "[]",
        "{}",
        "null",
        '{"marks": [1]}',
        '{"marks": 5}',
        '{"marks": [{"point": "x", "mark": "", "sent_as": "y"}]}',
        '{"marks": [{"point": 1e400, "mark": "", "sent_as": "00000000-0000-4000-8000-000000000000"}]}',
        '{"marks": [{"point": 99999999999999999999, "mark": "", '
        '"sent_as": "00000000-0000-4000-8000-000000000000"}]}',
        "\xff",
        "[" * 3000,
    ],
)
def test_what_is_no_mark_is_refused_and_nothing_is_kept(door, body):
    answer = door.post_json(door.assessment(), body)
    assert answer.status_code == 400
    assert not Tap.objects.exists()


@pytest.mark.parametrize("moment", ["", "yesterday", "0001-01-01T00:00:00+14:00", "2026-02-30T10:00:00Z", 5])
def test_a_clock_that_says_nonsense_loses_no_mark(door, moment):
    assessment = door.assessment()
    one = {"point": door.listed[0].pk, "mark": "missed", "sent_as": str(uuid.uuid4()), "tapped_at": moment}
    assert door.post_json(assessment, json.dumps({"marks": [one]})).status_code == 200
    assert abs((Tap.objects.get().tapped_at - timezone.now()).total_seconds()) < 60


def test_marks_that_come_after_the_end_are_told_so(door):
    assessment = door.assessment(stage="finished")
    answer = door.send(assessment, (0, "missed"))
    assert answer.status_code == 409
    assert "marks stand" in answer.json()["sentence"]
    assert answer.json()["status"] == "finished"


def test_an_order_that_is_broken_is_said_at_once_and_blocks_nothing(door):
    Precedence.objects.create(
        version=door.yard.checklist,
        earlier=door.listed[0],
        later=door.listed[1],
        is_safety=True,
        why="Nuts first.",
    )
    assessment = door.assessment()
    before = f'data-earlier="{door.listed[0].pk}" hidden'
    assert before in page(door.client.get(at("", assessment)))
    assert door.send(assessment, (1, "unprompted")).status_code == 200
    text = page(door.client.get(at("", assessment)))
    assert before not in text
    assert "Seen before “Wheel nuts”, which comes first. Nuts first." in text


def test_without_script_a_zone_s_form_keeps_marks_notes_and_photographs_once(door):
    assessment = door.assessment()
    one, two = door.listed[:2]
    posted = {
        "zone": "1",
        "batch": str(uuid.uuid4()),
        f"mark-{one.pk}": "prompted",
        f"mark-{two.pk}": "perfect",
        f"note-{two.pk}": "Pointed at the hose.",
    }
    for _ in range(2):
        answer = door.client.post(at("", assessment), posted | {f"photo-{two.pk}": a_photograph()})
        assert answer["Location"] == f"{at('', assessment)}#zone-2"
    assert Tap.objects.get().mark == "prompted"
    note = PointNote.objects.get()
    assert (note.listed, note.text) == (two, "Pointed at the hose.")
    # As kept, it is a JPEG of our own making, for those who may see the assessment.
    picture = reverse("assessment-photograph", args=[note.pk])
    assert b"".join(door.client.get(picture).streaming_content)[:2] == b"\xff\xd8"
    assert door.client.post(at("", assessment), {"zone": "9"}).status_code == 404


def test_a_file_that_is_no_photograph_is_said_at_its_point_and_the_marks_are_kept(door):
    assessment = door.assessment()
    point = door.listed[0]
    bad = SimpleUploadedFile("x.jpg", b"not a picture")
    answer = door.client.post(
        at("", assessment), {"zone": "1", f"mark-{point.pk}": "missed", f"photo-{point.pk}": bad}
    )
    assert "not a picture that can be read" in page(answer)
    assert Tap.objects.get().mark == "missed"
    bad.seek(0)
    answer = door.client.post(
        at("note", assessment), {"point": point.pk, "sent_as": uuid.uuid4(), "photo": bad}
    )
    assert answer.status_code == 422
    assert not PointNote.objects.exists()


@pytest.mark.parametrize("point", ["", "x", "999999999", "9" * 40])
def test_a_note_on_no_point_of_the_assessment_is_refused(door, point):
    answer = door.client.post(
        at("note", door.assessment()), {"point": point, "sent_as": uuid.uuid4(), "text": "Seen."}
    )
    assert answer.status_code == 409


def test_what_was_fitted_since_changes_no_point_and_is_said(door):
    feature = FeatureFactory()
    ListedPointFactory(version=door.yard.checklist, point=PointFactory(feature=feature))
    assessment = door.assessment()
    assessment.points.all()
    assert "were fixed at the start stand" in page(door.client.get(at("", assessment)))
    without = door.assessment(
        machine=MachineFactory(site=door.machine.site, category=door.category, features=[feature])
    )
    assert "were fixed at the start stand" not in page(door.client.get(at("", without)))
    MachineStateFactory(machine=without.machine)
    assert "were fixed at the start stand" in page(door.client.get(at("", without)))


def test_the_finish_names_what_is_unmarked_with_a_way_to_it(door):
    assessment = door.assessment()
    door.send(assessment, *((place, "unprompted") for place in range(5)))
    answer = door.client.post(at("finish", assessment))
    text = page(answer)
    assert "Not marked yet: Horn." in text
    assert f'href="{at("", assessment)}#point-{door.listed[5].pk}"' in text
    door.send(assessment, (5, "missed"))
    assert door.client.post(at("finish", assessment))["Location"] == at("confirm", assessment)


def test_the_outcome_says_how_far_and_what_it_cost(door):
    assessment = door.assessment(stage="finished", stage__marks={1: "unsafe", 2: "prompted"})
    text = page(door.client.get(at("confirm", assessment)))
    for words in ("Not yet competent", "75 %, pass mark 80 %", "5 percentage points below", "Unsafe: 16.7 %"):
        assert words in text


def test_a_score_that_did_not_decide_is_not_what_stands_beside_the_word(door):
    Precedence.objects.create(
        version=door.yard.checklist, earlier=door.listed[0], later=door.listed[3], is_safety=True, why="So."
    )
    in_order = door.assessment(stage="finished")
    assert "20 percentage points above the pass mark." in page(door.client.get(at("confirm", in_order)))
    missed = door.assessment(stage="finished", stage__marks={1: "missed"})
    text = page(door.client.get(at("confirm", missed)))
    assert "Whatever the score: 1 critical point failed, 1 safety order broken." in text
    door.client.post(at("lower", in_order), {"reason": "Was led through it."})
    assert "The marks alone say competent." in page(door.client.get(at("confirm", in_order)))


def test_who_holds_a_ticket_is_not_offered_another_but_shown_what_the_assessment_leads_to(door):
    assessment = door.assessment(stage="confirmed")
    link = reverse("progress", args=[door.operator.number, door.category.code])
    text = page(door.client.get(at("record", assessment)))
    assert f'href="{link}">What it leads to' in text
    assert "Issue a ticket" not in text
    newcomer = door.assessment(stage="confirmed", operator=OperatorFactory(site=door.machine.site))
    assert "Issue a ticket" in page(door.client.get(at("record", newcomer)))


def confirm_here(door, assessment, name, password=PASSWORD):
    return door.client.post(
        at("confirm", assessment),
        {"who": "operator", "name": name, "password": password, "is_competent": assessment.is_competent},
    )


def test_the_operator_confirms_on_the_assessor_s_phone_with_their_own_sign_in(door):
    assessment = door.assessment(stage="finished")
    AccountFactory(username="femi", operator=OperatorFactory())
    for name, password, words in (
        ("femi", PASSWORD, "This sign-in is not Carys Bellamy&#x27;s. Nothing is confirmed"),
        ("greta", PASSWORD, "This sign-in is not Carys Bellamy&#x27;s"),
        ("carys", "not this", "do not go together"),
        ("", "", "This field is required"),
    ):
        assert words in page(confirm_here(door, assessment, name, password))
    assessment.refresh_from_db()
    assert assessment.operator_confirmed_at is None
    confirm_here(door, assessment, "carys")
    answer = door.client.post(at("confirm", assessment), {"is_competent": "True"}, follow=True)
    assert "Both have confirmed" in page(answer)
    # The session stayed the assessor's.
    assert answer.context["user"] == door.assessor
    assert Evidence.objects.filter(came_from__contains=assessment.number).count() == 1


def test_an_operator_finds_it_waiting_and_confirms_on_their_own(door):
    assessment = door.assessment(stage="finished")
    own = signed_in(door.yard.account)
    assert "for your confirmation" in page(own.get(reverse("home")))
    assert own.get(at("record", assessment))["Location"] == at("confirm", assessment)
    answer = own.post(at("confirm", assessment), {"is_competent": "True"}, follow=True)
    assert "final once the other has confirmed" in page(answer)
    assert "for your confirmation" not in page(own.get(reverse("home")))


def test_a_result_that_the_operator_never_confirms_is_made_final_and_shown_as_such(door):
    at_first = timezone.now() - timedelta(days=7)
    assessment = door.assessment(stage="finished", stage__marks={1: "missed"})
    Assessment.objects.filter(pk=assessment.pk).update(assessor_confirmed_at=at_first)
    assert "record that</a> from" in page(door.client.get(at("confirm", assessment)))
    assert "did not confirm" not in page(door.client.get(at("record", assessment)))
    early = page(door.client.post(at("unconfirmed", assessment), {"reason": "Away for good."}))
    assert "has 7 whole days to confirm" in early
    assert "Away for good." in early
    Assessment.objects.filter(pk=assessment.pk).update(assessor_confirmed_at=at_first - timedelta(days=1))
    assert "Record that the operator did not confirm" in page(door.client.get(at("record", assessment)))
    answer = door.client.post(at("unconfirmed", assessment), {"reason": "Away for good."}, follow=True)
    text = page(answer)
    for words in (
        "Confirmed by the assessor only",
        "Carys Bellamy did not confirm this assessment. Greta Dunmore recorded that: Away for good.",
    ):
        assert words in text
    assert "Confirmed by both" not in text
    paper = PdfReader(io.BytesIO(door.client.get(at("pdf", assessment)).content))
    printed = " ".join("".join(sheet.extract_text() for sheet in paper.pages).split())
    assert "The operator did not confirm this assessment: Away for good." in printed
    assert "recorded as not confirmed" in printed
    assert not Evidence.objects.get(kind="practical", came_from__contains=assessment.number).is_met


def test_a_record_leads_to_how_alike_both_marked_only_where_there_are_two(door):
    assessment = door.assessment(stage="confirmed")
    link = reverse("assessment-agreement", args=[assessment.pk])
    assert link not in page(door.client.get(at("record", assessment)))
    second = door.appointed()
    beside = door.assessment(assessor=second, alongside=assessment, stage="finished")
    assert link in page(door.client.get(at("record", assessment)))
    assert reverse("assessment-agreement", args=[beside.pk]) in page(door.client.get(at("record", beside)))
    assert link not in page(signed_in(door.yard.account).get(at("record", assessment)))


def test_nobody_confirms_what_was_changed_since_they_read_it(door):
    assessment = door.assessment(stage="finished")
    door.client.post(at("lower", assessment), {"reason": "Was led through it."})
    answer = signed_in(door.yard.account).post(at("confirm", assessment), {"is_competent": "True"})
    assert "changed meanwhile" in page(answer)
    assert "Lowered by Greta Dunmore" in page(door.client.get(at("confirm", assessment)))


def test_a_second_assessor_raises_it_on_this_phone_and_nobody_else_does(door):
    assessment = door.assessment(stage="finished", stage__marks={1: "missed"})
    door.appointed(username="hugh", first_name="Hugh", last_name="Garside")
    AccountFactory(username="ivy", roles=["site_admin"])
    AccountFactory(username="unappointed", roles=["trainer"])
    for name, words in (
        ("greta", "takes a second appointed assessor"),
        ("ivy", "needs the role trainer"),
        ("unappointed", "holds no appointment"),
        ("carys", "needs the role trainer"),
    ):
        answer = door.client.post(
            at("raise", assessment), {"reason": "I saw it.", "name": name, "password": PASSWORD}
        )
        text = page(answer)
        assert words in text
        assert "I saw it." in text
    answer = door.client.post(
        at("raise", assessment), {"reason": "I saw it.", "name": "hugh", "password": PASSWORD}, follow=True
    )
    assert "Raised by Hugh Garside, a second appointed assessor: I saw it." in page(answer)


def test_the_record_on_paper_holds_names_outcome_points_and_what_was_typed_as_typed(door):
    assessment = door.assessment(stage="finished", stage__marks={2: "missed"})
    typed = "#panic() $x$ *bold* \\ <script> “ü” @ref"
    PointNoteFactory(assessment=assessment, text=typed)
    answer = door.client.get(at("pdf", assessment))
    assert answer["Content-Type"] == "application/pdf"
    paper = PdfReader(io.BytesIO(answer.content))
    text = " ".join("".join(sheet.extract_text() for sheet in paper.pages).split())
    for words in ("Carys Bellamy", "Greta Dunmore", "DT-014", "Competent", "Wheel nuts", "Horn", "Missed"):
        assert words in text
    for word in typed.split():
        assert word in text
    root = paper.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-GB"
    assert paper.metadata.title == f"Practical assessment {assessment.number}"
    assert b"pdfuaid" in answer.content
    assert door.client.get(at("pdf", door.assessment())).status_code == 404


def test_what_is_being_marked_shows_no_mark_to_anybody_else(door):
    assessment = door.assessment()
    TapFactory(assessment=assessment, mark="unsafe")
    auditor = signed_in(AccountFactory(roles=["auditor"]))
    text = page(auditor.get(at("record", assessment)))
    assert "is marking this walk-around" in text
    assert "Unsafe" not in text
    assert signed_in(door.yard.account).get(at("record", assessment)).status_code == 404


def test_a_correction_is_shown_on_the_record_and_in_the_list(door):
    assessment = door.assessment(stage="finished")
    confirm_here(door, assessment, "carys")
    door.client.post(at("confirm", assessment), {"is_competent": "True"})
    answer = door.client.post(
        at("correct", assessment), {"is_competent": "no", "reason": "Wrong machine."}, follow=True
    )
    assert "Corrected by Greta Dunmore to not yet competent: Wrong machine." in page(answer)
    assert "No assessment fits" in page(door.client.get(reverse("assessment-list"), {"found": "competent"}))
    assert "Carys Bellamy" in page(door.client.get(reverse("assessment-list"), {"found": "not_yet"}))


def test_the_list_is_narrowed_by_what_is_asked_and_odd_words_narrow_nothing(door):
    door.assessment(stage="finished")
    for query, is_there in (
        ({"q": "bellamy dt-014"}, True),
        ({"q": "nobody"}, False),
        ({"status": "finished"}, True),
        ({"status": "marking"}, False),
        ({"category": door.category.code}, True),
        ({"status": "x", "found": "y", "category": "z", "site": "w", "first": "q"}, True),
        ({"first": days_ago(-1).isoformat()}, False),
    ):
        assert ("Carys Bellamy" in page(door.client.get(reverse("assessment-list"), query))) is is_there


@pytest.mark.parametrize("how_many", [2, 6])
def test_the_list_s_statements_do_not_grow_with_it(door, how_many, django_assert_num_queries):
    for _ in range(how_many):
        door.assessment(stage="finished")
    with django_assert_num_queries(8):
        door.client.get(reverse("assessment-list"))


def test_a_tap_s_statements_do_not_grow_with_the_taps(door, django_assert_num_queries):
    assessment = door.assessment()
    for _ in range(2):
        with django_assert_num_queries(9):
            door.send(assessment, (0, "unprompted"), (1, "missed"), (2, "prompted"))


def test_a_phone_keeps_the_page_of_an_assessment_only_while_its_assessor_marks_it(door):
    assessment = door.assessment()
    page = reverse("assessment", args=[assessment.pk])
    assert door.client.get(page)["X-Kept-On-Phone"] == "yes"
    # A colleague is shown the record there instead.
    assert "X-Kept-On-Phone" not in signed_in(door.appointed()).get(page)
    Assessment.objects.filter(pk=assessment.pk).update(status="abandoned", abandoned_why="Elsewhere.")
    assert "X-Kept-On-Phone" not in door.client.get(page)


def test_the_offline_worker_may_see_signing_out_and_keeps_only_the_rooms_that_say_so(client):
    answer = client.get(reverse("offline-worker"))
    assert answer["Service-Worker-Allowed"] == "/"
    assert answer["Content-Type"].startswith("text/javascript")
    assert 'const ROOMS = ["/assessments/", "/sittings/"];' in answer.content.decode()
    assert "worker-src 'self'" in answer["Content-Security-Policy"]
