"""The invented scenario: its dates, its order of time, and what it amounts to once it is loaded."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import transaction
from django.utils import timezone

from competence.actions.clock import now
from competence.actions.journal import record, seal
from competence.actions.setup import keep_setup
from competence.inputs.offsets import Almanac, BadOffset
from competence.inputs.scenario import (
    MARK,
    Scenario,
    Timetable,
    UntrueScenario,
    end_demo,
    is_scenarios_own,
    is_used,
    read_scenario,
    usernames,
)
from competence.inputs.scenario_history import write_history
from competence.models import (
    Account,
    DailyCheck,
    Defect,
    Employer,
    JournalEntry,
    Refusal,
    Ticket,
    TicketEvent,
)
from competence.queries.journal import verify
from competence.queries.tickets import fold
from tests.factories import AccountFactory

# 03:30 in London, 20:30 of the day before in Denver, 14:30 in Sydney.
ALMANAC = Almanac(datetime(2026, 3, 10, 3, 30, tzinfo=UTC))


@pytest.mark.parametrize(
    ("offset", "zone", "day"),
    [
        ("0d", "Europe/London", date(2026, 3, 10)),
        ("0d", "America/Denver", date(2026, 3, 9)),
        ("-10d 06:10", "Europe/London", date(2026, 2, 28)),
        ("+30d", "Australia/Sydney", date(2026, 4, 9)),
    ],
)
def test_an_offset_counts_days_on_the_calendar_of_the_site(offset: str, zone: str, day: date) -> None:
    assert ALMANAC.day(offset, zone) == day


@pytest.mark.parametrize(
    ("offset", "zone", "moment"),
    [
        ("-1d 06:10", "Europe/London", datetime(2026, 3, 9, 6, 10, tzinfo=UTC)),
        # Denver went over to summer time on 8 March 2026: seven hours behind before it, six after.
        ("-3d 06:10", "America/Denver", datetime(2026, 3, 6, 13, 10, tzinfo=UTC)),
        ("-1d 06:10", "America/Denver", datetime(2026, 3, 8, 12, 10, tzinfo=UTC)),
        ("-1d", "Australia/Sydney", datetime(2026, 3, 9, 1, 0, tzinfo=UTC)),
    ],
)
def test_an_offset_with_a_time_is_by_the_clocks_of_the_site(offset: str, zone: str, moment: datetime) -> None:
    assert ALMANAC.moment(offset, zone, "12:00") == moment


@pytest.mark.parametrize("offset", ["", "400d", "-400", "-400d 6:10", "-400d 24:00", "-4w", "today", "-4d "])
def test_what_is_not_an_offset_is_refused(offset: str) -> None:
    with pytest.raises(BadOffset, match="is not an offset"):
        ALMANAC.day(offset, "Europe/London")


def test_steps_happen_in_order_of_time_and_may_add_later_ones() -> None:
    timetable, told = Timetable(), []
    start = datetime(2026, 1, 1, tzinfo=UTC)

    def first() -> None:
        told.append(("first", now()))
        timetable.add(start + timedelta(days=1), "between", lambda: told.append(("between", now())))

    timetable.add(start + timedelta(days=2), "last", lambda: told.append(("last", now())))
    timetable.add(start, "first", first)

    assert timetable.run(until=start + timedelta(days=3)) == 3
    assert told == [
        ("first", start),
        ("between", start + timedelta(days=1)),
        ("last", start + timedelta(days=2)),
    ]


def test_a_step_that_is_still_to_come_is_refused() -> None:
    timetable = Timetable()
    timetable.add(datetime(2026, 1, 2, tzinfo=UTC), "A check", lambda: None)
    with pytest.raises(UntrueScenario, match="A check is at 2026-01-02 00:00 UTC, which is still to come"):
        timetable.run(until=datetime(2026, 1, 1, tzinfo=UTC))


@pytest.mark.slow
@pytest.mark.django_db
def test_the_scenario_loads_as_a_history_kept_all_along() -> None:
    opened_at = timezone.now()
    scenario = Scenario(opened_at=opened_at, password="walk-round-first")
    write_history(scenario)

    entries = list(JournalEntry.objects.order_by("pk").values_list("action", "at"))
    assert entries[0][0] == MARK
    assert [at for _, at in entries] == sorted(at for _, at in entries)
    assert entries[-1][1] < opened_at
    assert opened_at - entries[0][1] > timedelta(days=3 * 365)

    kinds = set(TicketEvent.objects.values_list("kind", flat=True))
    assert kinds == {kind.value for kind in TicketEvent.Kind}
    assert set(Ticket.objects.values_list("level", flat=True)) == {"full", "trainee"}
    assert DailyCheck.objects.filter(result="fit").exists()
    assert Refusal.objects.exists()
    assert Defect.objects.filter(closed_at=None).exists()
    assert Defect.objects.filter(closed_at__isnull=False).exists()

    moment = timezone.now()
    for ticket in Ticket.objects.all():
        held = fold(ticket, at=moment, known_at=moment)
        assert (ticket.last_day, ticket.is_suspended) == (held.last_day, held.is_suspended), ticket

    seal()
    assert verify().problems == []

    content = read_scenario()
    assert set(Account.objects.values_list("username", flat=True)) == usernames(content)
    assert is_scenarios_own()
    assert not is_used(content)
    end_demo()
    assert not is_used(content)
    keep_setup(by=Account.objects.get(username=content["account"][0]["username"]), row=Employer(name="New"))
    assert is_used(content)
    assert is_scenarios_own()


@pytest.mark.django_db
def test_a_demo_in_which_an_account_was_opened_is_its_own_and_used() -> None:
    content = read_scenario()
    with transaction.atomic():
        record(by=None, action=MARK, rows=[])
    assert is_scenarios_own()
    assert not is_used(content)
    AccountFactory(username="somebody.else")
    assert is_scenarios_own()
    assert is_used(content)


@pytest.mark.django_db
def test_a_register_without_the_scenarios_mark_is_never_taken_for_it() -> None:
    assert not is_scenarios_own()
    AccountFactory(username=next(iter(usernames(read_scenario()))))
    with transaction.atomic():
        record(by=None, action="account.opened", rows=[])
    assert not is_scenarios_own()
