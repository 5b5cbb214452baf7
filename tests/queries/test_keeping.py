"""What is kept: the register as a whole says the same as one person's page, by the rule itself."""

import json
from collections import Counter
from datetime import date, timedelta

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from competence.models import Operator
from competence.queries.erasing import Subject
from competence.queries.keeping import kept_of_staff, kind_lines, left_on, people_past
from competence.rules.retention import RecordKind
from tests import factories
from tests.factories.base import moment_ago
from tests.factories.keeping import KeepingRuleFactory

pytestmark = pytest.mark.django_db


def state(person, days, *, is_active, recorded_days=None):
    made = factories.OperatorStateFactory(
        operator=person,
        effective_at=moment_ago(days),
        recorded_at=moment_ago(days if recorded_days is None else recorded_days),
        is_active=is_active,
        site=person.state.site,
        employer=person.state.employer,
    )
    newest = person.states.order_by("-effective_at", "-recorded_at", "-pk")[0]
    Operator.objects.filter(pk=person.pk).update(state=newest)
    person.refresh_from_db()
    return made


def a_leaver(days, zone="UTC"):
    person = factories.OperatorFactory(site=factories.SiteFactory(zone=zone), started_on=date(2020, 1, 6))
    state(person, days, is_active=False)
    factories.EvidenceFactory(operator=person, kind="medical", occurred_on=date(2021, 1, 4))
    factories.EvidenceFactory(operator=person, kind="refresher", occurred_on=date(2021, 1, 4))
    factories.EvidenceFactory(
        operator=person,
        kind="training_hours",
        hours=2,
        occurred_on=timezone.now().date() - timedelta(days=100),
    )
    factories.RefusalFactory(operator=person)
    return person


def test_somebody_left_when_they_last_became_inactive_whatever_was_entered_late():
    person = factories.OperatorFactory(site=factories.SiteFactory(zone="UTC"))
    assert left_on(person) is None
    state(person, 50, is_active=False)
    state(person, 40, is_active=False)
    assert left_on(person) == moment_ago(50).date()
    state(person, 30, is_active=True)
    assert left_on(person) is None
    state(person, 10, is_active=False)
    assert left_on(person) == moment_ago(10).date()
    # What is put right later at the same moment holds.
    state(person, 50, is_active=True, recorded_days=5)
    assert left_on(person) == moment_ago(10).date()


def test_the_whole_register_counts_what_each_persons_page_counts():
    for days, zone in [
        (0, "UTC"),
        (59, "Pacific/Auckland"),
        (60, "UTC"),
        (61, "UTC"),
        (400, "Pacific/Honolulu"),
    ]:
        a_leaver(days, zone)
    here = factories.authorised_operator(factories.MachineFactory())
    KeepingRuleFactory(kind="medical", months=1200, anchor="left")
    KeepingRuleFactory(kind="refusal", months=3, anchor="left", site=here.state.site)
    people = list(Operator.objects.with_state())
    rows, past = Counter(), Counter()
    for person in people:
        subject = Subject.of_operator(person)
        for one in subject.kept(timezone.localdate(timezone=subject.zone)):
            rows[one.kind] += one.rows
            past[one.kind] += one.past
    with CaptureQueriesContext(connection) as statements:
        lines = {one.kind: one for one in kind_lines(timezone.now())}
    for kind in rows:
        assert (lines[kind].rows, lines[kind].past) == (rows[kind], past[kind]), kind
    assert past[RecordKind.TRAINING] == past[RecordKind.PARTICULARS] == 2
    assert past[RecordKind.MEDICAL] == 0
    assert len(statements) <= 25
    assert [left for _, left in people_past(timezone.now(), None)] == sorted(
        left_on(one) for one in people if left_on(one) and moment_ago(60).date() > left_on(one)
    )


def test_the_newest_rule_of_a_kind_place_and_anchor_counts_and_none_ends_it():
    person = a_leaver(100)
    KeepingRuleFactory(kind="training", months=60)
    kept = {one.kind: one for one in Subject.of_operator(person).kept(date.today())}
    assert not kept[RecordKind.TRAINING].is_past
    KeepingRuleFactory(kind="training", months=0)
    kept = {one.kind: one for one in Subject.of_operator(person).kept(date.today())}
    assert kept[RecordKind.TRAINING].is_past


def test_the_name_of_whoever_taught_is_kept_as_long_as_what_they_signed():
    trainer = factories.AccountFactory(roles=["trainer"], is_active=False)
    factories.EvidenceFactory(recorded_by=trainer)
    kept = {one.kind: one for one in kept_of_staff(trainer, date.today())}
    assert kept[RecordKind.TRAINING].kept.until is None
    assert "30 CFR 46.9" in kept[RecordKind.TRAINING].kept.words


def test_the_command_tells_the_same_and_erases_nothing(capsys):
    person = a_leaver(100)
    call_command("keeping", "--json")
    told = json.loads(capsys.readouterr().out)
    assert told["people"] == [{"number": person.number, "left_on": left_on(person).isoformat()}]
    call_command("keeping")
    assert "Names and particulars: 1 of" in capsys.readouterr().out
    person.refresh_from_db()
    assert not person.name.startswith("erased")
