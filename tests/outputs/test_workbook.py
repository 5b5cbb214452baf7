"""The auditor's workbook, read back by a program that shares no code with what wrote it (calamine)."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from python_calamine import load_workbook

from competence.actions.journal import record, seal
from competence.models import DefectSighting, Evidence
from competence.outputs.typed_sheets import Type
from competence.outputs.workbook import all_sheets, counted, write_workbook
from competence.queries.workbook import Slice, as_plain, from_plain, names
from tests import factories
from tests.factories.assessments import AssessmentFactory
from tests.factories.questions import PaperVersionFactory, SittingFactory

LONDON = ZoneInfo("Europe/London")
HAPPENED = ("Evidence", "Assessments", "Sittings", "Daily checks", "Refusals", "Defects")
HOSTILE = '=HYPERLINK("http://x","press")'


def moment(day: int, hour: int = 9) -> datetime:
    """A moment in March 2026, UTC; British clocks are the same until the 29th."""
    return datetime(2026, 3, day, hour, tzinfo=UTC)


@pytest.fixture(scope="module")
def register(django_db_setup: None, django_db_blocker: Any) -> Iterator[SimpleNamespace]:
    """Made once: two sites, one person at each, and one of everything that happened at the first."""
    with django_db_blocker.unblock():
        undone = transaction.atomic()
        undone.__enter__()
        made = make_register()
    yield made
    with django_db_blocker.unblock():
        transaction.set_rollback(True)
        undone.__exit__(None, None, None)


def make_register() -> SimpleNamespace:
    here, there = factories.SiteFactory(name="Hush Pit"), factories.SiteFactory(name="Far Pit")
    firm = factories.EmployerFactory(name="@Firm & Sons")
    category = factories.CategoryFactory(name="Dumper, small")
    machine = factories.MachineFactory(fleet_number="007", site=here, category=category)
    person = factories.OperatorFactory(
        number="0042", given_name=HOSTILE, family_name="-Smith", site=here, employer=firm
    )
    other = factories.OperatorFactory(number="0099", site=there)
    clerk = factories.AccountFactory(first_name="+Ida", last_name="Clerk")
    ticket = factories.TicketFactory(number="0001", operator=person, category=category, issued=False)
    event = {"ticket": ticket, "recorded_by": clerk}
    issue = factories.TicketEventFactory(
        **event,
        effective_at=moment(2),
        level="full",
        first_day=date(2026, 3, 2),
        last_day=date(2027, 3, 1),
        conditions={"daylight_only": True},
    )
    # Written down on the 20th: it should have ended on the 9th.
    factories.TicketEventFactory(
        **event,
        kind="corrected",
        corrects=issue,
        effective_at=moment(2),
        recorded_at=moment(20),
        level="full",
        first_day=date(2026, 3, 2),
        last_day=date(2026, 3, 9),
        conditions={},
        reason="The last day was misread.",
    )
    factories.TicketFactory(number="0002", operator=other, first_day=date(2026, 3, 1))
    wrong = factories.EvidenceFactory(
        operator=person, occurred_on=date(2026, 3, 3), counts_to=date(2026, 3, 14), recorded_at=moment(3)
    )
    Evidence.objects.create(
        operator=person,
        kind=wrong.kind,
        occurred_on=date(2026, 3, 4),
        counts_to=date(2027, 3, 4),
        came_from="_x000D_ read again",
        recorded_at=moment(21),
        corrects=wrong,
        reason="Wrong year.",
    )
    check = factories.DailyCheckFactory(
        machine=machine, operator=person, submitted=True, started_at=moment(5, 6), result="do_not_use"
    )
    finding = factories.FindingFactory(daily_check=check, defect=True, grade="report")
    defect = factories.DefectFactory(
        machine=machine, opened_by=finding, closed=True, closed_at=moment(12), grade="stop_use"
    )
    again = factories.DailyCheckFactory(
        machine=machine, operator=person, checklist=check.checklist, submitted=True, started_at=moment(8, 6)
    )
    worse = factories.FindingFactory(
        daily_check=again, listed=finding.listed, defect=True, grade="stop_use", note="Worse."
    )
    DefectSighting.objects.create(defect=defect, finding=worse)
    refusal = factories.RefusalFactory(at=moment(10), machine=machine, operator=person)
    assessment = AssessmentFactory(
        machine=machine, operator=person, started_at=moment(6), stage="confirmed", assessor=clerk
    )
    at = {"finished_at": moment(6, 10), "assessor_confirmed_at": moment(6, 10)}
    type(assessment).objects.filter(pk=assessment.pk).update(**at, operator_confirmed_at=moment(11))
    paper = PaperVersionFactory(category=category, cut=1)
    sitting = SittingFactory(
        operator=person,
        paper=paper,
        is_paper=True,
        finished=True,
        started_at=moment(7),
        finished_at=moment(7, 10),
    )
    record(by=clerk, action="site.entered", rows=[here, there])
    seal()
    return SimpleNamespace(**locals())


def asked(**more: Any) -> Slice:
    """The whole register as on 25 March, known then."""
    return replace(Slice(at=moment(25), known_at=moment(25), zone="Europe/London"), **more)


def taken(path: Path, part: Slice, **more: Any) -> dict[str, list[list]]:
    """The sheets of the workbook, as they are read back: headings and rows."""
    write_workbook(path / "out.xlsx", part, by="Ida", taken_at=moment(26), **more)
    book = load_workbook(path / "out.xlsx")
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}


def rows_of(sheets: dict[str, list[list]], title: str) -> list[dict[str, Any]]:
    headings, *rows = sheets[title]
    return [dict(zip(headings, row, strict=True)) for row in rows]


pytestmark = pytest.mark.django_db


def as_cell(value: Any, kind: Type) -> Any:
    """What a cell of a type should be read back as."""
    if value is None:
        return ""
    if kind is Type.MOMENT:
        local = value.astimezone(LONDON).replace(tzinfo=None, microsecond=0)
        # To the reader a midnight is a day.
        return local if local.time() != time() else local.date()
    if kind in (Type.WHOLE, Type.NUMBER, Type.SHARE):
        return float(value)
    assert kind is not Type.DAY or type(value) is date
    return value


def test_every_sheet_is_what_its_query_says(register: SimpleNamespace, tmp_path: Path) -> None:
    sheets, named = taken(tmp_path, asked()), names()
    assert list(sheets) == ["Front sheet", *(sheet.title for sheet in all_sheets())]
    for sheet, count in counted(asked()):
        headings, *rows = sheets[sheet.title]
        assert headings == [column.heading for column in sheet.columns]
        kinds = [column.type for column in sheet.columns]
        expected = [
            [as_cell(value, kind) for value, kind in zip(row, kinds, strict=True)]
            for row in sheet.rows(asked(), named)
        ]
        assert rows == expected
        assert len(rows) == count > 0


def test_rows_say_what_happened(register: SimpleNamespace, tmp_path: Path) -> None:
    sheets = taken(tmp_path, asked())
    person = rows_of(sheets, "Operators")[0]
    assert (person["Operator"], person["Given name"], person["Family name"]) == ("0042", HOSTILE, "-Smith")
    assert (person["Employer"], person["Active"]) == ("@Firm & Sons", "Yes")
    check = rows_of(sheets, "Daily checks")[0]
    assert (check["Machine"], check["Result"], check["Defects"]) == ("007", "Do not use", 1)
    assert check["Submitted"] == datetime(2026, 3, 5, 6, 10)
    (refusal,) = rows_of(sheets, "Refusals")
    assert refusal["Reasons"] == 1
    assert refusal["What was wrong"] == register.refusal.verdict["reasons"][0]["sentence"]
    (assessment,) = rows_of(sheets, "Assessments")
    assert (assessment["Score"], assessment["Found"], assessment["Confirmed"]) == (1, "Competent", "By both")
    (sitting,) = rows_of(sheets, "Sittings")
    assert (sitting["Right"], sitting["Asked"], sitting["Result"]) == (1, 1, "Passed")
    assert sitting["Key in the journal"] == str(register.sitting.pk)


def test_what_was_true_and_what_was_known_are_two_questions(
    register: SimpleNamespace, tmp_path: Path
) -> None:
    """The ticket's end was put right on the 20th, for the 10th and ever."""

    def stands(**times: datetime) -> tuple:
        row = rows_of(taken(tmp_path, asked(**times)), "Tickets")[0]
        return row["State then"], row["Last day"], row["Conditions"]

    known_before = {"at": moment(15), "known_at": moment(19)}
    known_after = {"at": moment(15), "known_at": moment(21)}
    assert stands(**known_before) == ("In force", date(2027, 3, 1), "In daylight only.")
    assert stands(**known_after) == ("Ended", date(2026, 3, 9), "")
    before, after = (taken(tmp_path, asked(**times)) for times in (known_before, known_after))
    of_ticket = [
        [row["Known then as"] for row in rows_of(sheets, "Ticket events") if row["Ticket"] == "0001"]
        for sheets in (before, after)
    ]
    assert of_ticket == [["Counts"], ["Corrected", "Corrects no. 1"]]
    evidence = [
        [row["Known then as"] for row in rows_of(sheets, "Evidence")]
        for sheets in (before, taken(tmp_path, asked(at=moment(15), known_at=moment(22))))
    ]
    assert evidence == [["Counts"], ["Corrected", "Counts"]]


def test_what_had_not_happened_yet_is_not_there(register: SimpleNamespace, tmp_path: Path) -> None:
    early = taken(tmp_path, asked(at=moment(7, 8), known_at=moment(7, 8)))
    assert len(rows_of(early, "Daily checks")) == 1
    assert not rows_of(early, "Refusals")
    assert not rows_of(early, "Sittings")
    (defect,) = rows_of(early, "Defects")
    assert (defect["Grade then"], defect["State then"], defect["Seen again"]) == ("Report", "Open", 0)
    assert (defect["Closed by"], defect["What was done"]) == ("", "")
    (assessment,) = rows_of(early, "Assessments")
    assert (assessment["Confirmed"], assessment["By the operator at"]) == ("Waiting", "")
    (defect,) = rows_of(taken(tmp_path, asked(at=moment(9))), "Defects")
    assert (defect["Grade then"], defect["State then"], defect["Seen again"]) == ("Stop use", "Open", 1)
    (defect,) = rows_of(taken(tmp_path, asked()), "Defects")
    assert defect["State then"] == "Closed"


def test_a_ticket_is_not_there_before_it_was_issued(register: SimpleNamespace, tmp_path: Path) -> None:
    tickets = rows_of(taken(tmp_path, asked(at=moment(1), known_at=moment(25))), "Tickets")
    assert [row["Ticket"] for row in tickets] == ["0002"]


@pytest.mark.parametrize("by", ["site", "employer", "category"])
def test_a_slice_holds_its_part_and_no_other(register: SimpleNamespace, tmp_path: Path, by: str) -> None:
    part = {
        "site": {"site_ids": frozenset({register.here.pk})},
        "employer": {"employer": register.firm.pk},
        "category": {"category": register.category.pk},
    }[by]
    sheets = taken(tmp_path, asked(**part))
    assert [row["Operator"] for row in rows_of(sheets, "Operators")] == ["0042"]
    assert [row["Ticket"] for row in rows_of(sheets, "Tickets")] == ["0001"]
    for title in (
        "Ticket events",
        "Evidence",
        "Assessments",
        "Sittings",
        "Daily checks",
        "Refusals",
        "Defects",
    ):
        assert {row["Operator"] for row in rows_of(sheets, title)} == {"0042"}, title


def test_another_site_has_none_of_it(register: SimpleNamespace, tmp_path: Path) -> None:
    sheets = taken(tmp_path, asked(site_ids=frozenset({register.there.pk})))
    assert [row["Operator"] for row in rows_of(sheets, "Operators")] == ["0099"]
    for title in HAPPENED:
        assert not rows_of(sheets, title), title


def test_people_belong_where_they_belonged_then(register: SimpleNamespace, tmp_path: Path) -> None:
    with transaction.atomic():
        factories.OperatorStateFactory(
            operator=register.other, site=register.here, effective_at=moment(23), recorded_at=moment(24)
        )
        part = asked(site_ids=frozenset({register.there.pk}))
        assert not rows_of(taken(tmp_path, part), "Operators")
        before = replace(part, known_at=moment(23, 12))
        assert [row["Operator"] for row in rows_of(taken(tmp_path, before), "Operators")] == ["0099"]
        transaction.set_rollback(True)


def test_days_narrow_what_happened_and_not_what_stood(register: SimpleNamespace, tmp_path: Path) -> None:
    sheets = taken(tmp_path, asked(first=date(2026, 3, 8), last=date(2026, 3, 10)))
    assert len(rows_of(sheets, "Daily checks")) == 1
    assert len(rows_of(sheets, "Refusals")) == 1
    assert not rows_of(sheets, "Defects")
    assert not rows_of(sheets, "Evidence")
    assert len(rows_of(sheets, "Tickets")) == 2


def test_every_day_and_moment_is_a_date_to_a_reader(register: SimpleNamespace, tmp_path: Path) -> None:
    sheets, seen = taken(tmp_path, asked()), set()
    for sheet in all_sheets():
        for column in sheet.columns:
            if column.type in (Type.DAY, Type.MOMENT):
                kinds = {date} if column.type is Type.DAY else {date, datetime}
                values = [row[column.heading] for row in rows_of(sheets, sheet.title)]
                assert {type(value) for value in values} - {str} <= kinds
                assert {value for value in values if isinstance(value, str)} <= {""}
                seen |= {sheet.title} if any(values) else set()
    assert seen == {sheet.title for sheet in all_sheets()}


def test_the_front_sheet_is_enough_to_check_the_checkpoint(register: SimpleNamespace, tmp_path: Path) -> None:
    front = taken(tmp_path, asked(category=register.category.pk))["Front sheet"]
    says = {row[0]: row[1] for row in front if row[0] and len(row) > 1}
    assert says["As of"] == datetime(2026, 3, 25, 9)
    assert says["Taken out by"] == "Ida"
    assert says["Category"] == "Dumper, small"
    assert says["Time zone"].startswith("Europe/London")
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(says["Public key"]))
    key.verify(bytes.fromhex(says["Signature"]), says["Signed text"].encode())
    signed = json.loads(says["Signed text"])
    assert (signed["root"], signed["size"]) == (says["Root"], says["Entries signed"])
    assert json.loads(says["Checkpoint as JSON"])["signature"] == says["Signature"]


def test_the_front_sheet_counts_each_sheet(register: SimpleNamespace, tmp_path: Path) -> None:
    sheets = taken(tmp_path, asked(), most_rows=2)
    counts = {row[0]: row[1] for row in sheets["Front sheet"] if row[0] in sheets}
    assert counts == {title: len(rows) - 1 for title, rows in sheets.items() if title != "Front sheet"}
    assert {"Daily checks", "Daily checks 2"} <= set(counts)


def test_a_workbook_takes_as_many_statements_for_many_as_for_one(
    register: SimpleNamespace, tmp_path: Path
) -> None:
    def statements() -> int:
        with CaptureQueriesContext(
            connection,
        ) as found:
            taken(tmp_path, asked())
        return len(found)

    with transaction.atomic():
        few = statements()
        for n in range(4):
            person = factories.OperatorFactory(site=register.here)
            factories.TicketFactory(operator=person, first_day=date(2026, 3, 1 + n))
            factories.EvidenceFactory(operator=person, occurred_on=date(2026, 3, 1), recorded_at=moment(2))
            more = {"machine": register.machine, "operator": person}
            check = factories.DailyCheckFactory(**more, submitted=True, started_at=moment(5))
            factories.DefectFactory(
                machine=register.machine,
                opened_by=factories.FindingFactory(daily_check=check, defect=True),
            )
            factories.RefusalFactory(**more, at=moment(6))
            SittingFactory(operator=person, finished=True, finished_at=moment(7), started_at=moment(7))
        assert len(taken(tmp_path, asked())["Refusals"]) == 6
        assert statements() == few
        transaction.set_rollback(True)


def test_no_half_file_is_left_and_the_old_one_stays(register: SimpleNamespace, tmp_path: Path) -> None:
    path = tmp_path / "out.xlsx"
    path.write_bytes(b"the one before")

    def stops(sheet: str, rows: int) -> None:
        if sheet == "Refusals":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_workbook(path, asked(), by="Ida", taken_at=moment(26), told=stops)
    assert [file.name for file in tmp_path.iterdir()] == ["out.xlsx"]
    assert path.read_bytes() == b"the one before"


def test_a_slice_is_the_same_after_it_was_stored() -> None:
    part = asked(site_ids=frozenset({3, 1}), employer=2, first=date(2026, 3, 1), at=moment(1) + timedelta(0))
    assert from_plain(json.loads(json.dumps(as_plain(part)))) == part
