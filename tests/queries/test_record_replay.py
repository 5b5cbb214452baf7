"""The record against a plain replay: a fresh register that holds only what was written down by then."""

import json

from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from competence.models import (
    Evidence,
    Machine,
    MachineState,
    Operator,
    OperatorState,
    Requirement,
    StandardVersion,
    Ticket,
    TicketEvent,
)
from competence.queries.gate import snapshot
from competence.queries.record import ask_record
from competence.rules.gate import decide
from competence.rules.hindsight import same_answer
from tests.factories import CategoryFactory, EmployerFactory, SiteFactory
from tests.rules.test_hindsight import AT, END, day, held_by, records


class Gone(Exception):
    """Rolls back what a register was planted with."""


class RecordAgainstReplay(TestCase):
    @classmethod
    def setUpTestData(cls):
        cls.site = SiteFactory(code="THORN", name="Thornbeck", zone="Europe/London")
        cls.category = CategoryFactory(code="excavator", name="Excavator")
        cls.employer = EmployerFactory()

    @settings(max_examples=60)
    @given(records(), st.integers(0, 21))
    def test_what_was_known_at_a_moment_is_what_a_register_without_later_rows_says(self, found, known):
        expected = self._replayed(found, day(known))
        with self._register(found) as (operator, machine):
            answer = self._asked(operator, machine, day(known))
            told = answer.third.verdict
            after = [turn.change.after for turn in answer.turns]
        assert _in_order(told) == _in_order(expected)
        # And the changes from there on end with what is known now.
        last = after[-1] if after else told
        assert same_answer(last, answer.now.verdict)

    def _asked(self, operator, machine, known_at):
        return ask_record(
            operator=operator,
            machine=machine,
            site=self.site,
            at=AT,
            asked_at=END,
            known_at=known_at,
            with_chain=False,
        )

    def _replayed(self, found, known_at):
        with self._register(held_by(found, known_at)):
            return decide(snapshot(operator="T-1", machine="EX-01", at=AT, known_at=END), AT)

    def _register(self, found):
        return _Planted(self, found)

    def _plant(self, found):
        operator = Operator.objects.create(
            number="T-1", given_name="Ada", family_name="Ashworth", started_on=found.person.started_on
        )
        machine = Machine.objects.create(fleet_number="EX-01")
        OperatorState.objects.bulk_create(
            OperatorState(
                operator=operator,
                employer=self.employer,
                site=self.site,
                effective_at=row.effective_at,
                recorded_at=row.recorded_at,
                is_active=row.is_active,
                reason="x",
            )
            for row in found.person.states
        )
        MachineState.objects.bulk_create(
            MachineState(
                machine=machine,
                category=self.category,
                site=self.site,
                make_and_model="Torvane TX220",
                effective_at=row.effective_at,
                recorded_at=row.recorded_at,
                is_in_service=row.facts.is_in_service,
                reason="x",
            )
            for row in found.machine.states
        )
        self._plant_versions(found.machine.standards)
        self._plant_chain(operator, found.person.tickets[0].events)
        self._plant_evidence(operator, found.person.evidence)
        # The pointer to the newest state is for lists; the record and the gate never read it.
        return operator, machine

    def _plant_versions(self, versions):
        for row in versions:
            version = StandardVersion.objects.create(
                category=self.category,
                number=row.facts.number,
                in_force_from=row.facts.in_force_from,
                recorded_at=row.recorded_at,
                months=36,
                period_end="day_before",
                renewal_window_days=90,
                lapse_limit_days=60,
                pass_mark="0.8",
            )
            for line in row.facts.requirements:
                Requirement.objects.create(
                    version=version, kind=line.kind.value, title=line.kind.value, months=line.months
                )

    def _plant_chain(self, operator, rows):
        ticket = Ticket.objects.create(number="T0001", operator=operator, category=self.category)
        planted = {}
        for row in rows:
            event = row.event
            planted[event.sequence] = TicketEvent.objects.create(
                ticket=ticket,
                sequence=event.sequence,
                kind=event.kind.value,
                effective_at=event.effective_at,
                recorded_at=event.recorded_at,
                level=event.level and event.level.value,
                first_day=event.first_day,
                last_day=event.last_day,
                corrects=planted.get(event.corrects),
                strikes_out=event.strikes_out,
                reason="x",
            )

    def _plant_evidence(self, operator, rows):
        planted = {}
        for row in rows:
            planted[row.key] = Evidence.objects.create(
                operator=operator,
                kind=row.fact.kind.value,
                occurred_on=row.fact.occurred_on,
                is_met=row.fact.is_met,
                came_from="x",
                recorded_at=row.recorded_at,
                corrects=planted.get(row.corrects),
                strikes_out=row.strikes_out,
                reason="x",
            )


class _Planted:
    """A register that holds a record, and is gone again after."""

    def __init__(self, test, found):
        self.test, self.found, self.inside = test, found, transaction.atomic()

    def __enter__(self):
        self.inside.__enter__()
        operator, machine = self.test._plant(self.found)
        # Its home zone is all that the record asks of the newest state.
        operator.state = OperatorState(site=self.test.site)
        return operator, machine

    def __exit__(self, *error):
        self.inside.__exit__(*(error if error[0] else (Gone, Gone(), None)))
        return False


def _in_order(verdict):
    plain = verdict.as_plain()
    return plain | {"reasons": sorted(plain["reasons"], key=json.dumps)}
