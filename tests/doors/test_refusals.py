"""A refusal says everything that is needed to put it right, to those whom it concerns."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from competence.queries.gate import snapshot
from competence.queries.refusals import contacts_at, sheet_of_refusal
from competence.rules import sentences
from competence.rules.gate import Snapshot, Verdict
from competence.rules.plain import as_plain, from_plain
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    DailyCheckFactory,
    FindingFactory,
    MachineFactory,
    OperatorFactory,
    RefusalFactory,
    RoleFactory,
    SiteFactory,
    authorised_operator,
)

pytestmark = pytest.mark.django_db

TWO_REASONS = Verdict(
    (sentences.suspended("T00007", date(2026, 3, 5)), sentences.out_of_service("DT-014"))
).as_plain()


def page_of(account, refusal):
    return signed_in(account).get(reverse("refusal", args=[refusal.pk]))


def test_every_reason_is_told_with_since_remedy_whose_move_and_whom_to_ring():
    refusal = RefusalFactory(verdict=TWO_REASONS)
    account = AccountFactory(operator=refusal.operator)
    AccountFactory(first_name="Dilip", last_name="Carrow", phone="01632 960 145", roles=["trainer"])
    AccountFactory(
        first_name="Greta", last_name="Dunmore", phone="01632 960 112", roles=[("site_admin", refusal.site)]
    )
    # A date does not break across two lines.
    page = page_of(account, refusal).content.decode().replace("\N{NO-BREAK SPACE}", " ")
    for words in (
        "Refused",
        "Do not start this machine.",
        "Ticket T00007 is suspended.",
        "Since 5 March 2026",
        "reinstates it",
        "A trainer",
        "Dilip Carrow",
        "tel:01632960145",
        "entered as out of service",
        "The site admin",
        "tel:01632960112",
        "kept in the register",
    ):
        assert words in page, words


def test_staff_read_whose_role_moves_and_what_the_refusal_rested_on_and_the_operator_reads_their_own_move():
    machine = MachineFactory(fleet_number="DT-014")
    facts = snapshot(
        operator=authorised_operator(machine).number,
        machine=machine.fleet_number,
        at=timezone.now(),
        known_at=timezone.now(),
    )
    verdict = Verdict((sentences.SUPERVISOR_MISSING,)).as_plain() | {"facts": as_plain(facts)}
    verdict["reasons"][0]["move"] = "operator"
    refusal = RefusalFactory(machine=machine, verdict=verdict)
    own = page_of(AccountFactory(operator=refusal.operator), refusal).content.decode()
    staff = page_of(AccountFactory(roles=[("trainer", refusal.site)]), refusal).content.decode()
    assert "Yours" in own
    assert "Yours" not in staff
    assert "The operator" in staff
    assert "The facts that this rested on" in staff
    assert f"Ticket {facts.person.tickets[0].number}" in staff
    # What was stored reads back as what was judged.
    assert from_plain(Snapshot, verdict["facts"]) == facts


def test_who_is_stopped_in_the_middle_reads_that_the_answers_are_kept():
    draft = DailyCheckFactory()
    FindingFactory.create_batch(2, daily_check=draft)
    refusal = RefusalFactory(operator=draft.operator, machine=draft.machine)
    page = page_of(AccountFactory(operator=draft.operator), refusal).content.decode()
    assert "Your 2 answers are kept in the" in page
    assert reverse("check", args=[draft.pk]) in page
    elsewhere = RefusalFactory(operator=draft.operator)
    page = page_of(draft.operator.account, elsewhere).content.decode()
    assert "answers are kept" not in page


def test_who_rings_first_is_of_this_site_and_has_a_number():
    site = SiteFactory()
    silent = AccountFactory(last_name="Aster", roles=[("trainer", site)])
    AccountFactory(last_name="Birch", phone="1", roles=["trainer"])
    AccountFactory(last_name="Cedar", phone="2", roles=[("trainer", site)])
    AccountFactory(last_name="Dogwood", phone="3", roles=[("trainer", SiteFactory())])
    AccountFactory(last_name="Elder", phone="4", roles=[("trainer", site)], is_active=False)
    ended = AccountFactory(last_name="Fir", phone="5", roles=[])
    RoleFactory(account=ended, name="trainer", site=site, ended_at=timezone.now())
    # The same person at the site and everywhere is one person.
    RoleFactory(account=silent, name="trainer", site=None)
    names = [contact.name.split()[-1] for contact in contacts_at(site, {"trainer"})["trainer"]]
    assert names == ["Cedar", "Birch", "Aster"]


def test_whom_to_ring_is_told_once_for_the_same_move():
    refusal = RefusalFactory(
        verdict=Verdict((sentences.no_ticket("Dumper"), sentences.no_standard("Dumper"))).as_plain()
    )
    AccountFactory(phone="1", roles=["trainer"])
    first, second = sheet_of_refusal(refusal, is_own=True).reasons
    assert len(first.contacts) == 1
    assert second.contacts == ()


def test_the_sheet_asks_one_statement_for_one_reason_and_for_many():
    for verdict in (TWO_REASONS, Verdict((sentences.SUPERVISOR_MISSING,)).as_plain()):
        refusal = RefusalFactory(verdict=verdict)
        with CaptureQueriesContext(connection) as asked:
            sheet_of_refusal(refusal, is_own=True)
        assert len(asked) <= 1


def test_only_the_supervision_in_the_way_leads_back_to_name_somebody():
    alone = RefusalFactory(verdict=Verdict((sentences.SUPERVISOR_MISSING,)).as_plain())
    more = RefusalFactory(
        verdict=Verdict((sentences.SUPERVISOR_MISSING, sentences.out_of_service("X"))).as_plain()
    )
    page = page_of(AccountFactory(operator=alone.operator), alone).content.decode()
    assert "Name a supervising operator</a>" in page
    page = page_of(AccountFactory(operator=more.operator), more).content.decode()
    assert "Name a supervising operator</a>" not in page
    assert "Choose another machine" in page


def test_a_refusal_is_seen_by_its_operator_and_by_staff_at_its_site_only():
    refusal = RefusalFactory()
    may = [AccountFactory(operator=refusal.operator), AccountFactory(roles=[("trainer", refusal.site)])]
    may_not = [AccountFactory(operator=OperatorFactory()), AccountFactory(roles=[("trainer", SiteFactory())])]
    assert [page_of(account, refusal).status_code for account in may] == [200, 200]
    assert [page_of(account, refusal).status_code for account in may_not] == [403, 403]


def test_the_list_is_narrowed_by_words_site_and_days():
    old = RefusalFactory(at=timezone.now() - timedelta(days=9), operator__family_name="Quillfeather")
    new = RefusalFactory()
    staff = signed_in(AccountFactory(roles=["auditor"]))

    def found(**query):
        return [r.pk for r in staff.get(reverse("refusal-list"), query).context["page"].object_list]

    assert found() == [new.pk, old.pk]
    assert found(q="quillfeather") == [old.pk]
    assert found(site=new.site_id) == [new.pk]
    assert found(last=(timezone.now() - timedelta(days=3)).date().isoformat()) == [old.pk]
    assert found(first="not a day") == [new.pk, old.pk]
    here = signed_in(AccountFactory(roles=[("trainer", old.site)]))
    assert [r.pk for r in here.get(reverse("refusal-list")).context["page"].object_list] == [old.pk]


def test_the_list_asks_the_same_number_of_statements_for_two_and_for_twenty():
    staff = signed_in(AccountFactory(roles=["auditor"]))

    def statements():
        with CaptureQueriesContext(connection) as asked:
            staff.get(reverse("refusal-list"))
        return len(asked)

    RefusalFactory.create_batch(2)
    few = statements()
    RefusalFactory.create_batch(18)
    assert statements() == few
