"""Bringing an old spreadsheet in: what becomes of each row, and what a second file may change."""

from datetime import date, timedelta

import pytest
from django.db import transaction

from competence.actions.chains import project
from competence.actions.errors import ActionRefused
from competence.actions.imports import give_up_import, import_rows, keep_import_file, remember_words
from competence.actions.tickets import suspend_ticket
from competence.models import (
    Evidence,
    ImportedRow,
    ImportFile,
    JournalEntry,
    Operator,
    RememberedWord,
    Ticket,
    TicketEvent,
)
from competence.permissions import NotAllowed
from competence.queries.journal import verify
from competence.rules.import_mapping import first_mapping, meaning_of
from competence.rules.import_rows import read_lines
from tests.actions.journalled import journals
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    EmployerFactory,
    OperatorFactory,
    SiteFactory,
    TicketFactory,
    plain_standard,
)
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db

HEADINGS = [
    "Operator number",
    "Given name",
    "Family name",
    "Employer",
    "Site",
    "First day at work",
    "Category",
    "Level",
    "Ticket, first day",
    "Ticket, last day",
    "Medical, done on",
    "Medical, counts to",
    "Site induction, done on",
    "Familiarised with, make and model",
    "Familiarised on",
    "Notes",
]
FIRST, LAST = days_ago(100), days_ago(-900)


class Office:
    """One site admin with a sheet: ``bring(row, ...)`` brings rows in."""

    def __init__(self):
        self.site = SiteFactory(code="NORTH", name="North Quarry")
        self.employer = EmployerFactory(name="Invented Plant Ltd")
        self.category = CategoryFactory(code="dumper", name="Dumper")
        self.crane = CategoryFactory(code="crane", name="Crane")
        for category in (self.category, self.crane):
            plain_standard(category=category)
        self.admin = AccountFactory(roles=[("site_admin", self.site)])
        self.words = {
            "categories": {"dumper": "dumper", "crane": "crane"},
            "sites": {"north": "NORTH"},
            "employers": {"invented plant ltd": "Invented Plant Ltd"},
        }

    def row(self, number="A1", category="Dumper", **other):
        row = {
            "Operator number": number,
            "Given name": f"Ada {number}",
            "Family name": "Ashworth",
            "Employer": "Invented Plant Ltd",
            "Site": "North",
            "First day at work": days_ago(800),
            "Category": category,
            "Level": "Full",
            "Ticket, first day": FIRST,
            "Ticket, last day": LAST,
        }
        row |= {HEADINGS[int(k[1:])] if k[0] == "c" and k[1:].isdecimal() else k: v for k, v in other.items()}
        return [row.get(heading, "") for heading in HEADINGS]

    def lines(self, *rows, **mapping):
        sheet = [HEADINGS, *rows]
        mapping = first_mapping(sheet) | self.words | mapping
        meaning = meaning_of(sheet, mapping)
        return list(read_lines(enumerate(sheet[1:], start=2), meaning, mapping["headings"])), meaning

    def bring(self, *rows, by=None, **mapping):
        lines, meaning = self.lines(*rows, **mapping)
        by = by or self.admin
        kept = keep_import_file(by=by, name="old.xlsx", size=1, sha256="0" * 64, file=None, mapping={})
        return import_rows(by=by, import_file=kept, lines=lines, meaning=meaning)


@pytest.fixture
def office():
    return Office()


def told_of(kept, row):
    return kept.rows.get(row=row).told


MEDICAL, MEDICAL_TO, INDUCTION, MODEL, MODEL_ON = (
    HEADINGS[10],
    HEADINGS[11],
    HEADINGS[12],
    HEADINGS[13],
    HEADINGS[14],
)
LAST_DAY, FIRST_DAY = HEADINGS[9], HEADINGS[8]


def test_a_row_becomes_a_person_a_ticket_and_evidence(office):
    row = office.row(
        **{MEDICAL: days_ago(50), MEDICAL_TO: days_ago(-300), INDUCTION: days_ago(40), MODEL: "Invented 30"},
        **{MODEL_ON: days_ago(30)},
    )
    kinds = {"importfile", "importedrow", "operator", "operatorstate", "ticket", "ticketevent", "evidence"}
    with journals("import.brought_in", rows={f"competence.{kind}" for kind in kinds}):
        kept = office.bring(row)
    operator = Operator.objects.get(number="A1")
    assert operator.name == "Ada A1 Ashworth"
    assert (operator.site, operator.state.employer, operator.state.is_active) == (
        office.site,
        office.employer,
        True,
    )
    ticket = operator.tickets.get()
    assert (ticket.number, ticket.level, ticket.first_day, ticket.last_day) == ("A1-1", "full", FIRST, LAST)
    event = ticket.events.get()
    assert (event.kind, event.recorded_by) == ("issued", office.admin)
    assert "row 2" in event.reason
    facts = {(e.kind, e.occurred_on, e.counts_to, e.machine_model) for e in operator.evidence.all()}
    assert facts == {
        ("medical", days_ago(50), days_ago(-300), ""),
        ("induction", days_ago(40), None, ""),
        ("familiarisation", days_ago(30), None, "Invented 30"),
    }
    became = kept.rows.get()
    assert (became.row, became.outcome, became.operator, became.ticket) == (2, "made", operator, ticket)


def test_the_columns_of_a_ticket_brought_in_are_the_fold_of_its_events(office):
    office.bring(office.row(), office.row("B1", Level="trainee"))
    office.bring(office.row(**{LAST_DAY: days_ago(-950)}), office.row("B1", Level="full"))
    for ticket in Ticket.objects.all():
        before = (ticket.level, ticket.first_day, ticket.last_day, ticket.since, ticket.conditions)
        with transaction.atomic():
            project(ticket)
        assert (ticket.level, ticket.first_day, ticket.last_day, ticket.since, ticket.conditions) == before


def test_the_same_file_twice_changes_nothing(office):
    rows = [office.row(**{MEDICAL_TO: days_ago(-300), MODEL: "Invented 30"}), office.row("B1", "Crane")]
    office.bring(*rows)
    with journals(None):
        kept = office.bring(*rows)
    assert kept.status == "nothing_new"
    assert not kept.rows.exists()
    assert kept.report["same"] == 2


def test_a_changed_file_changes_only_what_changed(office):
    office.bring(office.row(), office.row("B1"), office.row("C1"))
    later = LAST + timedelta(days=30)
    kept = office.bring(office.row(), office.row("B1", **{LAST_DAY: later}), office.row("C1"))
    assert [row.outcome for row in kept.rows.order_by("row")] == ["same", "changed", "same"]
    assert TicketEvent.objects.count() == 4
    event = Ticket.objects.get(operator__number="B1").events.get(sequence=2)
    assert (event.kind, event.last_day) == ("renewed", later)


def test_an_earlier_end_is_a_variation(office):
    office.bring(office.row())
    sooner = LAST - timedelta(days=30)
    office.bring(office.row(**{LAST_DAY: sooner}))
    ticket = Ticket.objects.get()
    assert ticket.last_day == sooner
    assert ticket.events.get(sequence=2).kind == "varied"


def test_what_the_register_did_since_stands(office):
    office.bring(office.row())
    trainer = AccountFactory(roles=["trainer"])
    suspend_ticket(by=trainer, ticket=Ticket.objects.get(), reason="Seen without a seat belt.")
    with journals(None):
        assert office.bring(office.row()).status == "nothing_new"
    kept = office.bring(office.row(**{LAST_DAY: LAST + timedelta(days=30)}), office.row("B1"))
    assert "suspended" in told_of(kept, 2)
    assert Ticket.objects.get(operator__number="A1").last_day == LAST


def test_a_ticket_that_the_register_issued_itself_is_left_as_it_is(office):
    operator = OperatorFactory(
        number="A1", given_name="Ada A1", family_name="Ashworth", site=office.site, employer=office.employer
    )
    TicketFactory(operator=operator, category=office.category, first_day=FIRST, last_day=days_ago(-10))
    kept = office.bring(office.row(), office.row("B1"))
    assert "the register stands" in told_of(kept, 2)


def test_a_person_who_moved_and_changed_firm_by_the_file_moves(office):
    other = SiteFactory(code="SOUTH", name="South")
    everywhere = AccountFactory(roles=["site_admin"])
    office.bring(office.row(), by=everywhere)
    sites = office.words["sites"] | {"south": "SOUTH"}
    office.bring(office.row(Site="South"), by=everywhere, sites=sites)
    operator = Operator.objects.get()
    assert operator.site == other
    assert operator.states.count() == 2


def test_a_corrected_medical_replaces_the_one_of_the_earlier_file(office):
    office.bring(office.row(**{MEDICAL: days_ago(20), MEDICAL_TO: days_ago(-700)}))
    office.bring(office.row(**{MEDICAL: days_ago(20), MEDICAL_TO: days_ago(-300)}))
    old, new = Evidence.objects.order_by("pk")
    assert new.corrects == old
    assert new.counts_to == days_ago(-300)


def test_rows_of_another_site_are_refused_by_row(office):
    SiteFactory(code="SOUTH", name="South")
    sites = office.words["sites"] | {"south": "SOUTH"}
    kept = office.bring(office.row(), office.row("B1", Site="South"), sites=sites)
    assert kept.report["left_out"] == 1
    assert "keep no people at South" in told_of(kept, 3)
    assert list(Operator.objects.values_list("number", flat=True)) == ["A1"]


def test_nobody_brings_in_their_own_ticket(office):
    operator = OperatorFactory(
        number="A1", given_name="Ada A1", family_name="Ashworth", site=office.site, employer=office.employer
    )
    admin = AccountFactory(operator=operator, roles=[("site_admin", office.site)])
    kept = office.bring(office.row(), office.row("B1"), by=admin)
    assert "their own" in told_of(kept, 2)
    assert not operator.tickets.exists()


def test_one_name_under_two_numbers_is_asked_about_and_never_merged_silently(office):
    twins = [office.row("A1", **{"Given name": "Zoë"}), office.row("A2", "Crane", **{"Given name": "ZOE"})]
    kept = office.bring(*twins, office.row("B1"))
    assert kept.report["left_out"] == 2
    assert "A2" in told_of(kept, 2)
    assert {"A1", "A2"}.isdisjoint(Operator.objects.values_list("number", flat=True))
    office.bring(*twins, same=[["A1", "A2", "A1"]])
    merged = Operator.objects.get(number="A1")
    assert {t.category.code for t in merged.tickets.all()} == {"dumper", "crane"}
    assert not Operator.objects.filter(number="A2").exists()


def test_two_people_of_one_name_are_two_when_somebody_says_so(office):
    twins = [office.row("A1", **{"Given name": "Zoë"}), office.row("A2", **{"Given name": "ZOE"})]
    office.bring(*twins, same=[["A1", "A2", ""]])
    assert {o.given_name for o in Operator.objects.all()} == {"Zoë", "ZOE"}


def test_a_ticket_longer_than_its_standard_allows_is_left_out(office):
    kept = office.bring(office.row(**{LAST_DAY: days_ago(-3650)}), office.row("B1"))
    assert "at most" in told_of(kept, 2)


def test_a_day_that_the_file_does_not_give_is_the_safe_one(office):
    office.bring(office.row(**{FIRST_DAY: "", MEDICAL_TO: days_ago(-100)}))
    ticket, medical = Ticket.objects.get(), Evidence.objects.get()
    assert ticket.first_day == days_ago(0)
    assert medical.occurred_on == days_ago(0)


def test_two_rows_that_differ_about_one_ticket_are_both_left_out(office):
    kept = office.bring(office.row(), office.row(**{LAST_DAY: LAST - timedelta(days=1)}), office.row("B1"))
    assert kept.report["left_out"] == 2
    assert "Row 3" in told_of(kept, 2)


def test_everything_or_nothing(office, monkeypatch):
    def fail(*args, **kwargs):
        raise RuntimeError("the journal is full")

    monkeypatch.setattr("competence.actions.imports.record", fail)
    with pytest.raises(RuntimeError):
        office.bring(office.row())
    assert not Operator.objects.exists()
    assert not Ticket.objects.exists()


def test_the_journal_knows_every_row_that_an_import_made(office):
    office.bring(office.row(**{MEDICAL_TO: days_ago(-300)}), office.row("B1", "Nothing known"))
    # The set-up was made by hand: only what the import made is asked about.
    found = verify()
    made = ("operator ", "operator state", "ticket", "evidence", "import file", "imported row")
    assert not [problem for problem in found.problems if problem.subject.startswith(made)]


def test_a_draft_given_up_brings_nothing_in_and_cannot_be_imported(office):
    lines, meaning = office.lines(office.row())
    kept = keep_import_file(by=office.admin, name="a.csv", size=1, sha256="1" * 64, file=None, mapping={})
    with journals(None):
        give_up_import(by=office.admin, import_file=kept)
    with pytest.raises(ActionRefused):
        import_rows(by=office.admin, import_file=kept, lines=lines, meaning=meaning)
    assert not ImportedRow.objects.exists()


def test_only_who_keeps_people_imports_and_only_their_own_draft(office):
    lines, meaning = office.lines(office.row())
    kept = keep_import_file(by=office.admin, name="a.csv", size=1, sha256="1" * 64, file=None, mapping={})
    for other in (AccountFactory(roles=["trainer"]), AccountFactory(roles=[("site_admin", office.site)])):
        with pytest.raises(NotAllowed):
            import_rows(by=other, import_file=kept, lines=lines, meaning=meaning)
    assert ImportFile.objects.get().status == "in_progress"


def test_what_words_mean_is_remembered_once(office):
    words = {"categories": {"360 digger": "crane", "scrap": ""}, "sites": {"n": "NORTH"}}
    with journals("import.words_kept", rows={"competence.rememberedword"}):
        remember_words(by=office.admin, words=words)
    with journals(None):
        remember_words(by=office.admin, words=words)
    assert set(RememberedWord.objects.values_list("kind", "word")) == {
        ("category", "360 digger"),
        ("site", "n"),
    }


def test_the_statements_do_not_grow_with_the_rows(office, django_assert_max_num_queries):
    with django_assert_max_num_queries(34):
        office.bring(*(office.row(f"A{n}") for n in range(60)))
    assert JournalEntry.objects.count() == 1
    assert Operator.objects.count() == 60


def test_the_day_of_an_issue_long_ago_is_known_only_from_now(office):
    office.bring(office.row())
    event = TicketEvent.objects.get()
    assert event.effective_at.date() == FIRST or event.effective_at.date() == FIRST - timedelta(days=1)
    assert event.recorded_at.date() >= date.today() - timedelta(days=1)
