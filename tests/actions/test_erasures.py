"""Erasing: what goes, what stays, what is refused, and that the journal still holds."""

from datetime import date, timedelta
from uuid import uuid4

import pytest
from django.core.files.base import ContentFile
from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from assessments.actions.bookings import book_assessments
from assessments.actions.groups import record_group_evidence
from assessments.actions.mail import to_send
from assessments.actions.practical import start_assessment
from assessments.actions.sittings import allow_more_attempts
from assessments.models import OutgoingMail
from competence.actions.absences import record_absence
from competence.actions.cards import issue_cards, keep_photograph
from competence.actions.erasures import erase_person, erase_record, keep_rule, take_photograph_away
from competence.actions.errors import ActionRefused
from competence.actions.evidence import record_evidence, strike_out_evidence
from competence.actions.journal import record, seal
from competence.actions.tickets import issue_ticket, renew_ticket
from competence.models import (
    Account,
    DailyCheck,
    ErasedRow,
    Erasure,
    Evidence,
    JournalEntry,
    JournalledRow,
    Operator,
    Refusal,
    Ticket,
)
from competence.permissions import NotAllowed
from competence.queries.erasing import ErasableColumn, Subject
from competence.queries.journal import verify
from competence.queries.journal_proofs import CannotProve, prove
from competence.rules.journal import faults_of_proof
from tests import factories
from tests.actions.journalled import journals
from tests.actions.journalled_register import PHOTOGRAPH, put, write_journal
from tests.factories.assessments import AssessmentFactory, PointNoteFactory
from tests.factories.base import moment_ago
from tests.factories.cards import OperatorPhotographFactory

pytestmark = pytest.mark.django_db
WHY = "Asked in writing to be forgotten"


@pytest.fixture
def admin():
    return factories.AccountFactory(roles=["site_admin"])


@pytest.fixture
def stays():
    """Somebody who is not to be erased, on the same machine."""
    return factories.OperatorFactory(given_name="Wilma", family_name="Stays")


@pytest.fixture
def gone(stays):
    """Somebody who left a hundred days ago, with a row of most kinds, all of them journalled."""
    machine = factories.MachineFactory()
    person = factories.authorised_operator(machine)
    Operator.objects.filter(pk=person.pk).update(given_name="Ottoline", family_name="Farrow", number="QX-7")
    person.refresh_from_db()
    factories.AccountFactory(operator=person, first_name="Ottoline", last_name="Farrow", phone="0123")
    factories.EvidenceFactory(operator=person, kind="medical", came_from="Dr Farrow's own letter")
    verdict = {
        "allowed": False,
        "reasons": [{"code": "operator_inactive", "sentence": "Ottoline Farrow (QX-7) is not active."}],
        "facts": {"machine": {"number": machine.fleet_number}, "person": {"number": "QX-7", "name": "O"}},
    }
    factories.RefusalFactory(machine=machine, operator=person, verdict=verdict)
    factories.DailyCheckFactory(
        machine=machine, operator=stays, supervisor=person, verdict=verdict, submitted=True
    )
    assessment = AssessmentFactory(machine=machine, operator=person, stage="confirmed", decided_why="Farrow!")
    PointNoteFactory(assessment=assessment, photograph=ContentFile(PHOTOGRAPH, "seen.jpg"))
    OperatorPhotographFactory(operator=person, octets=PHOTOGRAPH)
    leave(person, 100)
    write_journal()
    seal()
    return person


def leave(person, days):
    state = factories.OperatorStateFactory(
        operator=person,
        effective_at=moment_ago(days),
        recorded_at=moment_ago(days),
        is_active=False,
        site=person.state.site,
        employer=person.state.employer,
        reason="Left of her own accord",
    )
    Operator.objects.filter(pk=person.pk).update(state=state)
    person.refresh_from_db()


def erase(by, person, **more):
    return erase_person(by=by, whom=person, **({"why": WHY, "typed": person.number} | more))


def everything(person):
    """Every text that the register and its journal hold, as one."""
    images = JournalledRow.objects.filter(content__isnull=False).values_list("content", flat=True)
    reasons = JournalEntry.objects.values_list("reason", flat=True)
    rows = [str(list(model.objects.values())) for model in (Operator, Account, Evidence, Ticket, Refusal)]
    return " ".join([*map(str, images), *reasons, *rows, str(list(DailyCheck.objects.values()))])


def test_nothing_of_the_name_is_left_and_the_journal_is_well(admin, gone):
    assert "Farrow" in everything(gone)
    with journals("erasure.made", reason=WHY):
        erased = erase(admin, gone)
    seal()
    left = everything(gone)
    assert "Farrow" not in left
    assert "QX-7" not in left
    report = verify()
    assert report.problems == []
    assert report.erased == sum(erased.rows.values_list("images", flat=True)) > 5
    assert report.erased_photographs == 2
    [line] = report.erasures
    assert (line.erasure.why, line.rows) == (WHY, erased.rows.count())


def test_counts_and_history_hold_under_a_name_that_says_nothing(admin, gone):
    before = (gone.evidence.count(), gone.tickets.count(), gone.refusals.count(), gone.assessments.count())
    erased = erase(admin, gone)
    gone.refresh_from_db()
    assert gone.name == f"erased {erased.at:%Y-%m-%d}"
    assert gone.number == f"ERASED-{gone.pk}"
    assert gone.started_on.strftime("%m-%d") == "01-01"
    assert before == (
        gone.evidence.count(),
        gone.tickets.count(),
        gone.refusals.count(),
        gone.assessments.count(),
    )
    account = gone.account
    assert (account.phone, account.is_active, account.has_usable_password()) == ("", False, False)
    assert not account.roles.filter(ended_at=None).exists()


def test_a_verdict_keeps_why_and_the_machine_and_loses_the_person(admin, gone):
    erase(admin, gone)
    verdict = gone.refusals.get().verdict
    assert verdict["facts"]["person"] is None
    assert verdict["facts"]["machine"]["number"]
    assert verdict["reasons"][0]["code"] == "operator_inactive"
    assert verdict["reasons"][0]["sentence"].endswith("is not active.")


def test_the_pictures_files_are_gone(admin, gone, photographs, django_capture_on_commit_callbacks):
    assert len(list(photographs.rglob("*.jpg"))) == 2
    with django_capture_on_commit_callbacks(execute=True):
        erase(admin, gone)
    assert list(photographs.rglob("*.jpg")) == []


def test_everybody_else_stays_as_they_were(admin, gone, stays):
    erase(admin, gone)
    stays.refresh_from_db()
    assert stays.name == "Wilma Stays"
    assert not ErasedRow.objects.filter(kind="competence.operator", key=str(stays.pk)).exists()


class TestRefused:
    def test_while_the_person_works_here(self, admin):
        person = factories.authorised_operator(factories.MachineFactory())
        with pytest.raises(ActionRefused, match=r"Tickets, .*: kept, and no end is known yet: 30 CFR 46.9"):
            erase(admin, person)

    def test_until_sixty_days_after_leaving_and_says_to_which_day(self, admin):
        person = factories.authorised_operator(factories.MachineFactory())
        leave(person, 59)
        with journals(None), pytest.raises(ActionRefused, match=r"kept to .*30 CFR 46.9"):
            erase(admin, person)

    def test_while_a_refresher_is_younger_than_two_years(self, admin, gone):
        factories.EvidenceFactory(
            operator=gone, kind="refresher", occurred_on=date.today() - timedelta(days=400)
        )
        with pytest.raises(ActionRefused, match="Refreshers: kept to"):
            erase(admin, gone)

    def test_while_the_firms_own_policy_asks(self, admin, gone):
        keep_rule(by=admin, kind="check", site=None, anchor="left", months=60, source="Procedure 4")
        factories.DailyCheckFactory(operator=gone, submitted=True)
        with pytest.raises(ActionRefused, match=r"Daily checks: kept to .*policy: Procedure 4"):
            erase(admin, gone)

    def test_a_second_time_in_plain_words(self, admin, gone):
        erase(admin, gone)
        gone.refresh_from_db()
        with journals(None), pytest.raises(ActionRefused, match="was erased already"):
            erase(admin, gone)

    def test_without_the_number_typed(self, admin, gone):
        with pytest.raises(ActionRefused, match="Type QX-7"):
            erase(admin, gone, typed="QX-8")

    def test_with_a_reason_that_names_them(self, admin, gone):
        with pytest.raises(ActionRefused, match="names the person"):
            erase(admin, gone, why="Ottoline Farrow asked for it")

    def test_by_an_admin_of_one_site(self, gone):
        admin = factories.AccountFactory(roles=[("site_admin", gone.state.site)])
        with pytest.raises(NotAllowed):
            erase(admin, gone)

    def test_by_themself(self, gone):
        account = gone.account
        factories.RoleFactory(account=account, name="site_admin", site=None)
        with pytest.raises(ActionRefused, match="Nobody erases themself"):
            erase(account, gone)


class TestJournal:
    def test_an_image_wiped_later_than_the_erasure_is_found(self, admin, gone):
        erase(admin, gone)
        newest = JournalledRow.objects.filter(kind="competence.operator", key=str(gone.pk)).latest("pk")
        put(newest, "content", None, is_raw=True)
        put(newest, "salt", None)
        put(gone, "given_name", "Somebody")
        assert {one.kind for one in verify().problems} == {"unexplained erasure"}

    def test_an_erasure_forged_in_its_table_is_found(self, gone, stays):
        image = JournalledRow.objects.filter(kind="competence.operator", key=str(stays.pk)).latest("pk")
        put(image, "content", None, is_raw=True)
        put(image, "salt", None)
        erasure = Erasure.objects.create(
            at=moment_ago(0), by=Account.objects.first(), kind="person", operator=stays, why=WHY
        )
        ErasedRow.objects.create(
            erasure=erasure, kind="competence.operator", key=str(stays.pk), columns=["given_name"], images=1
        )
        found = {one.kind for one in verify().problems}
        assert {"unexplained erasure", "inserted row"} <= found

    def test_a_row_edited_after_it_was_erased_is_found(self, admin, gone):
        erase(admin, gone)
        put(gone.evidence.first(), "is_met", False)
        assert {one.kind for one in verify().problems} == {"altered row"}

    def test_another_entry_is_proven_as_before_and_an_erased_image_without_content(self, admin, gone, stays):
        def entry_of(person):
            rows = JournalledRow.objects.filter(kind="competence.operator", key=str(person.pk))
            return rows.earliest("pk").entry

        erase(admin, gone)
        seal()
        entry = entry_of(stays)
        proof = prove(entry, kind="competence.operator", key=str(stays.pk))
        assert faults_of_proof(proof) == []
        assert "Stays" in proof["rows"][0]["content"]
        erased = prove(entry, kind="competence.operator", key=str(gone.pk))
        assert faults_of_proof(erased) == []
        assert erased["rows"][0]["content"] is None

    def test_a_reason_about_them_goes_and_the_rest_of_its_entry_cannot_be_altered(self, admin, gone):
        with transaction.atomic():
            entry = record(
                by=admin,
                action="operator.changed",
                rows=[gone.states.latest("pk")],
                reason="She left with a bad back",
            )
        seal()
        erase(admin, gone)
        entry.refresh_from_db()
        assert entry.reason.startswith("(erased ")
        assert verify().problems == []
        with pytest.raises(CannotProve, match="was erased"):
            prove(entry)
        put(entry, "action", "operator.praised")
        assert [one.subject for one in verify().problems] == [f"entry {entry.pk}"]


class TestOneRecord:
    @pytest.fixture
    def finding(self):
        finding = factories.FindingFactory(defect=True, daily_check__submitted=True)
        finding.photograph_sha256 = "0" * 64
        finding.photograph.save("seen.jpg", ContentFile(PHOTOGRAPH))
        factories.DefectFactory(opened_by=finding, machine=finding.daily_check.machine)
        write_journal()
        return finding

    def test_a_photograph_goes_and_its_finding_stays(self, admin, finding):
        erase_record(by=admin, column=ErasableColumn(finding, "photograph"), why="It shows a driver")
        finding.refresh_from_db()
        assert (finding.photograph.name, finding.photograph_sha256) == ("", "erased")
        assert finding.note
        assert verify().problems == []

    def test_the_words_of_a_defect_stay_until_it_is_put_right(self, admin, finding):
        with pytest.raises(ActionRefused, match=r"no end is known yet: 30 CFR 56.14100\(d\)"):
            erase_record(by=admin, column=ErasableColumn(finding, "note"), why="It names a driver")

    def test_a_second_time_in_plain_words(self, admin, finding):
        erase_record(by=admin, column=ErasableColumn(finding, "photograph"), why="It shows a driver")
        with pytest.raises(ActionRefused, match="erased already"):
            erase_record(by=admin, column=ErasableColumn(finding, "photograph"), why="It shows a driver")


def test_a_subject_is_called_by_every_name_that_the_journal_knows(gone):
    put(gone, "family_name", "Barrow")
    gone.refresh_from_db()
    person = Subject.of_operator(gone).forgotten(date(2027, 2, 14))
    assert {"Ottoline Farrow", "Ottoline Barrow", "Farrow, Ottoline"} <= set(person.names)
    assert (person.name, person.mark) == ("erased 2027-02-14", "(erased 2027-02-14)")


@pytest.mark.parametrize(
    ("status", "more", "left"),
    [
        ("waiting", {}, "dropped"),
        ("sending", {"claimed_at": moment_ago(100)}, "dropped"),
        ("refused", {"problem": "no such mailbox"}, "dropped"),
        ("sent", {"sent_at": moment_ago(100)}, "sent"),
    ],
)
def test_a_mail_that_was_not_sent_is_not_sent_any_more(admin, gone, status, more, left):
    mail = OutgoingMail.objects.create(
        account=gone.account,
        to="farrow@example.com",
        subject="Two things",
        text="What ends",
        html="<p>What ends</p>",
        composed_at=moment_ago(100),
        status=status,
        **more,
    )
    erase(admin, gone)
    mail.refresh_from_db()
    assert (mail.status, mail.to, mail.text) == (left, "", mail.subject)
    assert "farrow" not in mail.text.lower() + mail.problem
    assert to_send() == []
    assert not verify().problems


class TestNothingMoreIsWrittenAboutWhoWasErased:
    @pytest.fixture
    def office(self):
        return factories.AccountFactory(roles=["trainer", "site_admin"])

    def asked(self, office, gone):
        """Each act, as its page would ask for it."""
        ticket, today = gone.tickets.get(), timezone.now().date()
        machine = factories.MachineFactory(site=gone.site)
        common = {"by": office, "operator": gone}
        evidence = gone.evidence.filter(kind="medical").first()
        return {
            "issue": lambda: issue_ticket(**common, category=ticket.category, level="full", reason="Back"),
            "renew": lambda: renew_ticket(by=office, ticket=ticket, assessed_on=today, reason="Back"),
            "record": lambda: record_evidence(**common, kind="medical", occurred_on=today, came_from="Paper"),
            "strike out": lambda: strike_out_evidence(by=office, evidence=evidence, reason="Wrong"),
            "several": lambda: record_group_evidence(
                by=office, operators=[gone], kind="medical", occurred_on=today, came_from="Paper"
            ),
            "card": lambda: issue_cards(by=office, operators=[gone]),
            "photograph": lambda: keep_photograph(**common, photograph=PHOTOGRAPH),
            "away": lambda: record_absence(
                by=office, operators=[gone], first_day=today, last_day=today, kind="Leave"
            ),
            "book": lambda: book_assessments(
                by=office, on=today, machine=machine, operators=[gone], assessor=office
            ),
            "assess": lambda: start_assessment(**common, assessment_id=uuid4(), machine=machine),
            "attempts": lambda: allow_more_attempts(**common, category=ticket.category, reason="Shown again"),
        }

    @pytest.mark.parametrize(
        "act",
        [
            *("issue", "renew", "record", "strike out", "several", "card", "photograph", "away"),
            *("book", "assess", "attempts"),
        ],
    )
    def test_every_act_is_refused_by_one_sentence(self, admin, gone, office, act):
        erase(admin, gone)
        with pytest.raises(ActionRefused, match="This person was erased, and the entry stands for nobody"):
            self.asked(office, Operator.objects.with_state().get(pk=gone.pk))[act]()

    def test_the_pages_offer_nothing_of_it(self, admin, gone, office, client):
        client.force_login(office)
        offers = (
            "Issue a ticket",
            "Record evidence",
            "Ticket card",
            "Photograph",
            "Enter days away",
            "Correct",
        )
        pages = (
            reverse("operator", args=[gone.number]),
            reverse("ticket", args=[gone.tickets.get().number]),
        )
        before = " ".join(client.get(page).content.decode() for page in pages)
        ways = [reverse("ticket-withdraw", args=[gone.tickets.get().number]), *offers]
        assert [way for way in ways if way not in before] == []
        erase(admin, gone)
        gone.refresh_from_db()
        number = gone.tickets.get().number
        pages = (reverse("operator", args=[gone.number]), reverse("ticket", args=[number]))
        after = " ".join(client.get(page).content.decode().partition("<main")[2] for page in pages)
        assert "the entry stands for nobody any more" in after
        ways = [reverse("ticket-withdraw", args=[number]), *offers]
        assert [way for way in ways if way in after] == []


class TestTakingAPhotographAway:
    @pytest.fixture
    def office(self):
        return factories.AccountFactory(roles=[("site_admin", factories.SiteFactory())])

    @pytest.fixture
    def person(self, office):
        site = office.roles.get().site
        person = factories.OperatorFactory(given_name="Ottoline", family_name="Farrow", site=site)
        for octets in (PHOTOGRAPH, PHOTOGRAPH + b"newer"):
            OperatorPhotographFactory(operator=person, octets=octets)
        write_journal()
        seal()
        return person

    def test_every_picture_of_them_goes_and_the_journal_is_well(
        self, person, office, photographs, django_capture_on_commit_callbacks
    ):
        assert len(list(photographs.rglob("*.jpg"))) == 2
        with (
            django_capture_on_commit_callbacks(execute=True),
            journals("erasure.made", reason="Asked for it"),
        ):
            take_photograph_away(by=office, operator=person, why="Asked for it")
        assert list(photographs.rglob("*.jpg")) == []
        assert {row.is_erased for row in person.photographs.all()} == {True}
        assert person.given_name == "Ottoline"
        assert verify().problems == []
        with pytest.raises(ActionRefused, match="no photograph on record"):
            take_photograph_away(by=office, operator=person, why="Once more")

    def test_it_takes_who_keeps_people_there_and_no_rule_that_asks_for_it(self, person, admin):
        for other in (
            factories.AccountFactory(roles=["trainer"]),
            factories.AccountFactory(roles=[("site_admin", factories.SiteFactory())]),
        ):
            with pytest.raises(NotAllowed):
                take_photograph_away(by=other, operator=person, why="Asked for it")
        keep_rule(
            by=admin, kind="photograph", site=None, anchor="made", months=12, source="The firm's own rule"
        )
        with pytest.raises(ActionRefused, match="still needed"):
            take_photograph_away(by=admin, operator=person, why="Asked for it")
        assert {row.is_erased for row in person.photographs.all()} == {False}
