"""Evidence packs on paper: what they tell, by what was known when, and whether everybody can read them."""

import json
import subprocess
import sys
import zipfile
from datetime import datetime, timedelta
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.core.files.base import ContentFile
from django.utils import timezone
from PIL import Image
from pypdf import PdfReader

from assessments.outputs.evidence_pack import take_out_pack
from assessments.queries.evidence_pack import PackAsked
from competence.actions.journal import record
from competence.models import JournalEntry, Look, Machine, Operator
from competence.outputs.printable import printable
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    ChecklistVersionFactory,
    DailyCheckFactory,
    DefectFactory,
    EvidenceFactory,
    FindingFactory,
    MachineFactory,
    OperatorFactory,
    RefusalFactory,
    SiteFactory,
    TicketEventFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.assessments import AssessmentFactory, PointNoteFactory
from tests.factories.base import moment_ago
from tests.factories.questions import AnswerFactory, DrawnQuestionFactory, SittingFactory

pytestmark = pytest.mark.django_db
AUCKLAND = ZoneInfo("Pacific/Auckland")
# What would be a command, were it ever read as markup; letters from the right; a face no type has.
GIVEN, FAMILY = '#panic("x") *bold* $', "@x \\ _it_ שלום 😀"


@pytest.fixture
def world():
    """One rich record on the other side of the world, where the day is another than here."""
    site = SiteFactory(name="Far Quarry", zone="Pacific/Auckland")
    machine = MachineFactory(site=site)
    plain_standard(category=machine.state.category)
    operator = authorised_operator(
        machine, operator=OperatorFactory(site=site, given_name=GIVEN, family_name=FAMILY)
    )
    by = AccountFactory(username="ida", roles=["auditor"])
    event = TicketEventFactory(
        ticket=operator.tickets.get(),
        kind="suspended",
        effective_at=moment_ago(3),
        reason="Struck the *hopper*",
    )
    wrong = EvidenceFactory(operator=operator, kind="medical", came_from="Dr #let x = 1")
    right = EvidenceFactory(
        operator=operator, kind="medical", corrects=wrong, reason="Wrong day", recorded_at=moment_ago(0)
    )
    assessment = AssessmentFactory(
        operator=operator, machine=machine, stage="confirmed", stage__marks={2: "missed"}
    )
    AppointmentFactory(account=assessment.assessor, category=assessment.category, recorded_at=moment_ago(40))
    PointNoteFactory(assessment=assessment, text="Looked, $never$ touched")
    sitting = SittingFactory(operator=operator, finished=True)
    drawn = DrawnQuestionFactory(sitting=sitting)
    AnswerFactory(drawn=drawn, is_right=True)
    checklist = ChecklistVersionFactory(category=machine.state.category)
    check = DailyCheckFactory(
        machine=machine, operator=operator, checklist=checklist, submitted=True, started_at=moment_ago(1)
    )
    finding = FindingFactory(daily_check=check, defect=True, note="Cut #image(1)")
    picture = BytesIO()
    Image.new("RGB", (900, 600), "orange").save(picture, "JPEG")
    finding.photograph.save("seen.jpg", ContentFile(picture.getvalue()))
    defect = DefectFactory(machine=machine, opened_by=finding, opened_at=check.submitted_at)
    refusal = RefusalFactory(machine=machine, operator=operator, at=check.started_at + timedelta(minutes=1))
    told = [operator, operator.state, operator.tickets.get(), *operator.tickets.get().events.all()]
    told += [*operator.evidence.all(), assessment, *assessment.taps.all(), sitting, drawn]
    told += [machine, machine.state, check, finding, defect, refusal]
    with time_machine.travel(timezone.now() - timedelta(hours=12), tick=False):
        record(by=by, action="test.entered", rows=told)
    return SimpleNamespace(
        site=site,
        machine=Machine.objects.with_state().get(pk=machine.pk),
        operator=Operator.objects.with_state().get(pk=operator.pk),
        by=by,
        event=event,
        right=right,
        assessment=assessment,
        sitting=sitting,
        drawn=drawn,
        check=check,
        finding=finding,
        refusal=refusal,
    )


def pack_of(world, *, is_incident=False, allowed=None, with_person=True, **moments):
    now = timezone.now()
    at = moments.get("at", world.check.started_at if is_incident else now)
    asked = PackAsked(
        world.operator,
        world.site,
        at,
        moments.get("known_at", now),
        now,
        allowed,
        machine=world.machine if is_incident else None,
        with_person=with_person,
    )
    return take_out_pack(asked, by=world.by, noted_site=world.site)


def read(pack) -> PdfReader:
    return PdfReader(BytesIO(pack.pdf))


def text_of(pack) -> str:
    return " ".join(" ".join(page.extract_text() for page in read(pack).pages).split())


def elements(reader: PdfReader):
    """Every structure element with its depth, in the order of reading."""

    def walk(node, depth):
        for child in node if isinstance(node, list) else [node]:
            one = child.get_object() if hasattr(child, "get_object") else child
            if isinstance(one, list):
                yield from walk(one, depth)
            elif isinstance(one, dict) and "/S" in one:
                yield one, depth
                yield from walk(one.get("/K", []), depth + 1)

    yield from walk(reader.trailer["/Root"]["/StructTreeRoot"]["/K"], 0)


def test_a_pack_tells_every_part_of_the_record_letter_for_letter(world):
    text = text_of(pack_of(world))
    ticket = world.operator.tickets.get()
    for said in (
        GIVEN,
        "@x \\ _it_",
        "שלום",
        "[grinning face]",
        f"Ticket {ticket.number}",
        "“Struck the *hopper*”",
        "Dr #let x = 1",
        "“Wrong day”",
        "No longer counts: it was corrected.",
        f"Assessment {world.assessment.number}",
        "Missed",
        "Appointed for this category from",
        "Looked, $never$ touched",
        world.sitting.number,
        world.drawn.version.question.topic.name,
        world.machine.fleet_number,
    ):
        assert said in text, said
    for point in world.assessment.checklist.listed.select_related("point"):
        assert point.point.title in text
    entry = JournalEntry.objects.get(action="test.entered")
    assert f"{bytes(entry.leaf).hex()[:8]} " in text
    assert world.operator.name.split(" ")[0] in read(pack_of(world)).metadata.title


def test_an_incident_tells_its_day_on_the_clock_where_the_machine_stood(world):
    started = datetime(2026, 3, 5, 23, 30, tzinfo=AUCKLAND)
    for minutes, number in ((0, "IN-DAY"), (-24 * 60, "DAY-BEFORE"), (45, "DAY-AFTER")):
        RefusalFactory(
            machine=world.machine,
            operator=OperatorFactory(number=number, site=world.site),
            at=started + timedelta(minutes=minutes),
        )
    text = text_of(pack_of(world, is_incident=True, at=started))
    assert "Refusals of 5 March 2026" in text
    assert "IN-DAY" in text
    assert "DAY-BEFORE" not in text
    assert "DAY-AFTER" not in text


def test_an_incident_tells_the_findings_the_defects_and_the_facts_of_the_verdicts(world):
    pack = pack_of(world, is_incident=True)
    text = text_of(pack)
    assert "Defect, report" in text
    assert "Cut #image(1)" in text
    assert "What the gate said that day" in text
    alts = [str(one["/Alt"]) for one, _ in elements(read(pack)) if one["/S"] == "/Figure"]
    assert alts == [f"Photograph of a defect at {world.finding.listed.point.title}: Cut #image(1)"]


def test_what_took_effect_or_was_written_down_later_is_not_told(world):
    assert "Struck the" not in text_of(pack_of(world, at=moment_ago(4)))
    assert "“Wrong day”" not in text_of(pack_of(world, known_at=timezone.now() - timedelta(hours=5)))
    assert world.assessment.number not in text_of(
        pack_of(world, known_at=timezone.now() - timedelta(hours=5))
    )


def test_other_sites_and_others_people_are_left_out_and_that_is_said(world):
    text = text_of(pack_of(world, allowed=frozenset()))
    assert "3 checks, refusals or assessments are left out" in text
    assert world.assessment.number not in text
    text = text_of(pack_of(world, is_incident=True, with_person=False))
    assert "“Struck the *hopper*”" not in text
    assert "The person's own records" in text


def test_nobodys_telephone_number_is_in_a_pack(world):
    account = AccountFactory(operator=world.operator, phone="01632 960 123", email="finn@example.com")
    text = text_of(pack_of(world, is_incident=True)) + text_of(pack_of(world))
    assert account.phone not in text
    assert account.email not in text


def test_the_attached_proof_verifies_by_the_program_in_it_alone(world, tmp_path: Path):
    pack = pack_of(world, is_incident=True)
    (attached,) = read(pack).attachments["proof.zip"]
    assert attached == pack.bundle
    with zipfile.ZipFile(BytesIO(attached)) as kept:
        kept.extractall(tmp_path)
    bundled = json.loads((tmp_path / "bundle.json").read_text())
    shown = {(row["kind"], row["key"]) for entry in bundled["entries"] for row in entry["rows"]}
    assert ("competence.dailycheck", str(world.check.pk)) in shown
    ran = subprocess.run(
        [sys.executable, "-I", "verify_bundle.py", "bundle.json", "--key", bundled["public_key"]],
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout
    (tmp_path / "bundle.json").write_text((tmp_path / "bundle.json").read_text().replace("Cut #", "Cut  "))
    ran = subprocess.run(
        [sys.executable, "-I", "verify_bundle.py", "bundle.json"],
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    assert ran.returncode == 1


def test_a_screen_reader_finds_title_language_headings_tables_and_pages(world):
    """Source: PDF/UA-1, ISO 14289-1 (7.1 tagging and title, 7.4 headings, 7.5 tables, 7.3 figures)."""
    reader = read(pack_of(world, is_incident=True))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712
    assert root["/Lang"] == "en-GB"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"] == True  # noqa: E712
    about = root["/Metadata"].get_object().get_data().decode()
    assert "<pdfuaid:part>1</pdfuaid:part>" in about
    assert "Evidence pack: " in about
    found = list(elements(reader))
    levels = [int(one["/S"][2:]) for one, _ in found if one["/S"][1] == "H" and one["/S"][2:].isdigit()]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    tables = [one for one, _ in found if one["/S"] == "/Table"]
    assert len(tables) > 8
    for table in tables:
        assert any(one["/S"] == "/TH" for one, _ in _within(table))
    assert all(one.get("/Alt") for one, _ in found if one["/S"] == "/Figure")
    count = len(reader.pages)
    for number, page in enumerate(reader.pages, start=1):
        assert f"{number} of {count}" in page.extract_text()


def _within(element):
    fake = SimpleNamespace(trailer={"/Root": {"/StructTreeRoot": {"/K": element}}})
    return elements(fake)


def test_the_bookmarks_are_the_contents(world):
    reader = read(pack_of(world))
    contents = " ".join(reader.pages[1].extract_text().split())

    def titles(outline):
        for one in outline:
            yield from titles(one) if isinstance(one, list) else [one.title]

    found = list(titles(reader.outline))
    assert "Proofs" in found
    assert len(found) > 8
    for title in found:
        assert " ".join(title.split()) in contents
    links = [note for page in reader.pages for note in page.get("/Annots", [])]
    assert len(links) >= len(found)


def test_a_long_record_takes_as_many_statements(world, django_assert_max_num_queries):
    pack_of(world)
    with django_assert_max_num_queries(80) as short:
        pack_of(world)
    for days in range(2, 8):
        DailyCheckFactory(
            machine=world.machine, operator=world.operator, submitted=True, started_at=moment_ago(days)
        )
        EvidenceFactory(operator=world.operator)
        RefusalFactory(machine=world.machine, operator=world.operator)
        AssessmentFactory(operator=world.operator, machine=world.machine, stage="confirmed")
        SittingFactory(operator=world.operator, finished=True)
    with django_assert_max_num_queries(80) as long:
        pack_of(world)
    assert len(long) == len(short)


def test_a_pack_is_noted_before_it_is_handed_over(world):
    pack_of(world, is_incident=True)
    look = Look.objects.get()
    assert (look.kind, look.by, look.operator, look.machine) == (
        "pack",
        world.by,
        world.operator,
        world.machine,
    )


def test_a_letter_that_no_type_has_is_told_by_its_name():
    assert printable(["a\x00b", "中", "Łódź", "👷🏽‍♀️"])[0] == "ab"
    assert printable("中") == "[cjk unified ideograph-4e2d]"
    assert printable("Łódź → ✓") == "Łódź → ✓"
    assert printable({"octets": ["中"], "x": "😀"}) == {"octets": ["中"], "x": "[grinning face]"}
