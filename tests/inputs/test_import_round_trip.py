"""Random registers, written in the layout of the empty sheet and brought into an empty register, are the
same register; and the same file a second time changes nothing."""

import io
from collections import defaultdict
from datetime import date, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from competence.actions.imports import import_rows, keep_mapping
from competence.inputs.import_files import lines_of, read_kept, take_in
from competence.models import (
    Evidence,
    ImportFile,
    JournalEntry,
    Operator,
    OperatorState,
    Ticket,
    TicketEvent,
)
from competence.outputs.import_workbook import template_workbook
from competence.queries.import_words import Meanings
from competence.rules.spreadsheet_columns import PART_WORDS, Part, as_text, folded
from competence.rules.spreadsheet_dates import is_nothing
from tests.factories import AccountFactory, CategoryFactory, EmployerFactory, SiteFactory, plain_standard

TODAY = date.today()
DAY = timedelta(days=1)
SITES, EMPLOYERS, CATEGORIES = ("NORTH", "SOUTH"), ("Firm One", "=Firm+Two"), ("dumper", "crane", "shovel")
PAST = st.dates(TODAY - 2000 * DAY, TODAY - 2 * DAY)
LETTERS = st.characters(whitelist_categories=("Lu", "Ll", "Lo"), max_codepoint=0x24F)
NAMES = st.builds(
    "".join, st.tuples(LETTERS, st.text(st.one_of(LETTERS, st.sampled_from("-'=+ ")), max_size=12))
).map(as_text)
# What a spreadsheet's reader must take for nothing cannot be somebody's name.
NAMES = NAMES.filter(lambda name: name and not is_nothing(name))
NUMBERS = st.from_regex(r"\A[A-Z][A-Z0-9-]{0,8}\Z")


@st.composite
def people(draw):
    first = draw(PAST)
    held = draw(st.lists(st.sampled_from(CATEGORIES), unique=True, max_size=3))
    tickets = []
    for category in held:
        begins = draw(st.dates(TODAY - 900 * DAY, TODAY + 20 * DAY))
        tickets.append(
            (
                category,
                draw(st.sampled_from(["full", "trainee"])),
                begins,
                begins + draw(st.integers(0, 1000)) * DAY,
            )
        )
    medical = draw(st.none() | PAST)
    return {
        "names": (draw(NAMES), draw(NAMES)),
        "employer": draw(st.sampled_from(EMPLOYERS)),
        "site": draw(st.sampled_from(SITES)),
        "started": first,
        "tickets": tickets,
        "medical": medical and (medical, draw(st.none() | st.just(medical + 700 * DAY))),
        "induction": draw(st.none() | PAST),
        "model": draw(st.none() | st.tuples(st.sampled_from(["Invented 30", "-Odd, model"]), PAST)),
    }


REGISTERS = st.dictionaries(NUMBERS, people(), max_size=6)


def rows_of(register):
    """One row for each person and category; what is said of the person, on the first."""
    for number, one in register.items():
        shared = {
            Part.NUMBER: number,
            Part.GIVEN_NAME: one["names"][0],
            Part.FAMILY_NAME: one["names"][1],
            Part.EMPLOYER: one["employer"],
            Part.SITE: one["site"],
            Part.STARTED_ON: one["started"],
        }
        facts = {}
        if one["medical"]:
            facts |= {Part.MEDICAL_ON: one["medical"][0], Part.MEDICAL_TO: one["medical"][1]}
        if one["induction"]:
            facts[Part.INDUCTION_ON] = one["induction"]
        if one["model"]:
            facts |= {Part.MODEL: one["model"][0], Part.MODEL_ON: one["model"][1]}
        for category, level, first, last in one["tickets"] or [(None, None, None, None)]:
            yield (
                shared
                | facts
                | {
                    Part.CATEGORY: category,
                    Part.LEVEL: level,
                    Part.FIRST_DAY: first,
                    Part.LAST_DAY: last,
                }
            )
            facts = {}


def held():
    """The register as the strategy writes it."""
    found = {}
    facts = defaultdict(dict)
    for fact in Evidence.objects.select_related("operator"):
        value = {
            "medical": (fact.occurred_on, fact.counts_to),
            "induction": fact.occurred_on,
            "familiarisation": (fact.machine_model, fact.occurred_on),
        }[fact.kind]
        facts[fact.operator.number][fact.kind] = value
    for operator in Operator.objects.select_related("state__site", "state__employer"):
        number = operator.number
        found[number] = {
            "names": (operator.given_name, operator.family_name),
            "employer": operator.state.employer.name,
            "site": operator.site.code,
            "started": operator.started_on,
            "tickets": sorted(
                (t.category.code, t.level, t.first_day, t.last_day)
                for t in operator.tickets.select_related("category")
            ),
            "medical": facts[number].get("medical"),
            "induction": facts[number].get("induction"),
            "model": facts[number].get("familiarisation"),
        }
    return found


def two_of_one_name(register):
    """Pairs of numbers under one name: decided to be two people."""
    by_name = defaultdict(list)
    for number, one in register.items():
        by_name[folded(" ".join(one["names"]))].append(number)
    return [
        [first, second, ""]
        for numbers in by_name.values()
        for place, first in enumerate(numbers)
        for second in numbers[place + 1 :]
    ]


def bring_in(by, content, same):
    kept = take_in(by=by, uploaded=SimpleUploadedFile("old.xlsx", content))
    kept = keep_mapping(by=by, import_file=kept, same=same)
    lines, meaning = lines_of(read_kept(kept), Meanings().with_certain(kept.mapping))
    return import_rows(by=by, import_file=kept, lines=lines, meaning=meaning)


class TestRoundTrip(TestCase):
    @settings(max_examples=40)
    @given(REGISTERS)
    def test_a_register_written_and_brought_in_is_the_same_register(self, register):
        for code in SITES:
            SiteFactory(code=code)
        for name in EMPLOYERS:
            EmployerFactory(name=name)
        for code in CATEGORIES:
            plain_standard(category=CategoryFactory(code=code))
        by = AccountFactory(roles=["site_admin"])
        content = template_workbook(rows_of(register))
        same = two_of_one_name(register)
        if not register:
            assert bring_in(by, content, same).status == "nothing_new"
            return
        kept = bring_in(by, content, same)
        told = [row.told for row in kept.rows.filter(outcome="left_out")]
        assert not told, told
        expected = {number: one | {"tickets": sorted(one["tickets"])} for number, one in register.items()}
        assert held() == expected
        models = (Operator, OperatorState, Ticket, TicketEvent, Evidence, JournalEntry)
        before = [model.objects.count() for model in models]
        assert bring_in(by, content, same).status == "nothing_new"
        assert [model.objects.count() for model in models] == before
        assert held() == expected


@pytest.mark.django_db
def test_an_upload_that_cannot_be_read_leaves_no_draft_behind():
    from competence.inputs.spreadsheet import UnreadableSpreadsheet

    by = AccountFactory(roles=["site_admin"])
    with transaction.atomic(), pytest.raises(UnreadableSpreadsheet):
        take_in(by=by, uploaded=SimpleUploadedFile("old.xlsx", b"PK broken"))
    assert not ImportFile.objects.exists()


def test_the_empty_sheet_has_a_column_for_every_part_but_the_two_that_repeat_others():
    from openpyxl import load_workbook

    sheet = load_workbook(io.BytesIO(template_workbook())).active
    headings = [cell.value for cell in sheet[1]]
    left_out = {PART_WORDS[Part.NAME], PART_WORDS[Part.TICKET_TO]}
    assert set(headings) == set(PART_WORDS.values()) - left_out
