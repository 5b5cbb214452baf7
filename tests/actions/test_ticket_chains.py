"""Whatever happens to a ticket, its columns say what its events amount to."""

from contextlib import suppress
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import transaction
from hypothesis import given, settings
from hypothesis import strategies as st

from competence.actions.chains import project
from competence.actions.clock import as_if_at
from competence.actions.corrections import Correction, correct_event
from competence.actions.errors import ActionRefused
from competence.actions.tickets import (
    issue_ticket,
    reinstate_ticket,
    renew_ticket,
    suspend_ticket,
    vary_ticket,
    withdraw_ticket,
)
from competence.models import JournalEntry, Ticket, TicketEvent
from competence.queries.tickets import chain_of, column_standing
from competence.rules.conditions import Conditions
from competence.rules.standing import Standing, standing
from tests.doors.people_world import people_world
from tests.factories import EvidenceFactory, TicketFactory
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db
Kind = TicketEvent.Kind
BASE = datetime(2025, 1, 1, 8, 0, tzinfo=UTC)
FIRST_DAYS = st.integers(0, 50).map(lambda days: date(2025, 1, 1) + timedelta(days=days))
LAST_DAYS = st.integers(60, 400).map(lambda days: date(2025, 1, 1) + timedelta(days=days))
CONDITIONS = st.fixed_dictionaries(
    {},
    optional={
        "sites": st.lists(st.sampled_from(["A", "B"]), unique=True).map(sorted),
        "max_operating_mass_kg": st.integers(1, 90_000),
        "attachments": st.lists(st.sampled_from(["fork", "grab"]), unique=True).map(sorted),
        "daylight_only": st.just(True),
    },
)


@st.composite
def rows(draw):
    """The columns of a chain's events: an issue first, then anything, corrections of earlier ones too."""
    recorded, found = BASE, []
    kinds = st.sampled_from([kind for kind in Kind if kind != Kind.CORRECTED])
    for index in range(draw(st.integers(1, 9))):
        recorded += timedelta(hours=draw(st.integers(0, 200)))
        effective = recorded - timedelta(hours=draw(st.integers(0, 300)))
        corrects = None
        if index and draw(st.integers(0, 3)) == 0:
            corrects = draw(st.sampled_from([i for i, row in enumerate(found) if row["corrects"] is None]))
        kind = Kind.CORRECTED if corrects is not None else draw(kinds) if index else Kind.ISSUED
        row = {"kind": kind, "recorded_at": recorded, "effective_at": effective, "corrects": corrects}
        row["strikes_out"] = corrects is not None and draw(st.booleans())
        is_issue = kind == Kind.ISSUED or (corrects is not None and found[corrects]["kind"] == Kind.ISSUED)
        whole = is_issue or kind == Kind.RENEWED
        row["level"] = draw(st.sampled_from(["full", "trainee"])) if is_issue else None
        row["first_day"] = draw(FIRST_DAYS) if whole else None
        row["last_day"] = draw(LAST_DAYS) if whole else draw(st.none() | LAST_DAYS)
        row["conditions"] = draw(st.none() | CONDITIONS)
        found.append(row)
    return found


def read_by_hand(chain: list[dict]) -> Standing | None:
    """The same question answered another way: the newest word about each row, in order of effect."""
    newest = {}
    for index, row in enumerate(chain):
        target = index if row["corrects"] is None else row["corrects"]
        newest[target] = {**row, "kind": chain[target]["kind"]}
    now = None
    for index in sorted(newest, key=lambda index: (newest[index]["effective_at"], index)):
        row = newest[index]
        if row["strikes_out"]:
            continue
        if row["kind"] == Kind.ISSUED:
            now = {
                "level": row["level"],
                "first_day": row["first_day"],
                "last_day": row["last_day"],
                "conditions": row["conditions"] or {},
                "is_suspended": False,
                "is_withdrawn": False,
            }
        elif now is None or now["is_withdrawn"]:
            continue
        elif row["kind"] in (Kind.SUSPENDED, Kind.REINSTATED):
            now["is_suspended"] = row["kind"] == Kind.SUSPENDED
        elif row["kind"] == Kind.WITHDRAWN:
            now["is_withdrawn"] = True
        else:
            for part in ("level", "first_day", "last_day", "conditions"):
                if row[part] is not None:
                    now[part] = row[part]
        now["since"] = row["effective_at"]
    return now and Standing(**{**now, "conditions": Conditions.from_plain(now["conditions"])})


@settings(max_examples=60)
@given(rows())
def test_the_columns_equal_the_fold_of_any_chain(chain):
    ticket = TicketFactory(issued=False, level=None, first_day=None, last_day=None, since=None)
    made = []
    for sequence, row in enumerate(chain, start=1):
        corrects = None if row["corrects"] is None else made[row["corrects"]]
        whole = {**row, "corrects": corrects, "sequence": sequence}
        made.append(TicketEvent.objects.create(ticket=ticket, reason="As told", **whole))
    project(ticket)
    kept = Ticket.objects.get(pk=ticket.pk)
    assert column_standing(kept) == read_by_hand(chain)
    # The fold does not rest on the order in which a database gives the rows; that all are there, it does.
    assert sorted(event.sequence for event in chain_of(kept)) == list(range(1, len(chain) + 1))


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["issue", "renew", "vary", "suspend", "reinstate", "withdraw", "correct", "strike"]),
        st.integers(0, 400),
        st.integers(0, 5),
    ),
    max_size=12,
)


def do(world, act: str, number: int, days: int) -> None:
    """One act on the operator's ticket, as a trainer would, at the moment that the clock tells."""
    ticket = Ticket.objects.get(pk=world.ticket.pk)
    by, ago = world.trainer, timedelta(days=days)
    told = {"by": by, "ticket": ticket, "reason": "As told"}
    if act == "issue":
        issue_ticket(
            by=by, operator=world.operator, category=world.category, level="trainee", reason="As told"
        )
    elif act == "renew":
        renew_ticket(**told, assessed_on=days_ago(days + 1))
    elif act == "vary":
        vary_ticket(
            **told, level="trainee", last_day=days_ago(-number), conditions=Conditions(daylight_only=days > 2)
        )
    elif act == "suspend":
        suspend_ticket(**told, effective_at=datetime.now(UTC) - ago)
    elif act == "reinstate":
        reinstate_ticket(**told)
    elif act == "withdraw":
        withdraw_ticket(**told, effective_at=datetime.now(UTC) - ago)
    else:
        event = ticket.events.get(sequence=1 + number % ticket.events.count())
        should_say = None
        if act == "correct":
            should_say = Correction(
                event.effective_at - ago, "trainee", days_ago(100 + days), days_ago(-number)
            )
        correct_event(by=by, event=event, reason="As told", should_say=should_say)


@settings(max_examples=25)
@given(ACTS)
def test_after_any_acts_the_columns_equal_the_fold_and_each_act_is_one_entry(acts):
    with transaction.atomic():
        world = people_world()
        for days in range(1, 7):
            EvidenceFactory(
                operator=world.operator, kind="practical", category=world.category, occurred_on=days_ago(days)
            )
        moment = datetime.now(UTC)
        for index, (act, number, days) in enumerate(acts):
            before = JournalEntry.objects.count(), TicketEvent.objects.count()
            with as_if_at(moment + timedelta(minutes=index)):
                done = False
                with suppress(ActionRefused):
                    do(world, act, number, days)
                    done = True
            after = JournalEntry.objects.count(), TicketEvent.objects.count()
            assert after == (before[0] + done, before[1] + done)
            kept = Ticket.objects.get(pk=world.ticket.pk)
            at = moment + timedelta(minutes=index)
            assert column_standing(kept) == standing(chain_of(kept), at=at, known_at=at)
        transaction.set_rollback(True)
