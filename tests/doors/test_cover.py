"""Cover of a site: the figures, the pages, what if, and the same from a terminal."""

import json
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from assessments.models import Booking
from assessments.queries.cover import WhatIf, site_forecasts
from competence.queries.gate import snapshot
from competence.rules.gate import decide
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    EvidenceFactory,
    MachineFactory,
    MinimumCoverFactory,
    OperatorFactory,
    SiteFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def machine():
    machine = MachineFactory(site=SiteFactory(zone="UTC", name="Bell Pit"))
    plain_standard(category=machine.state.category)
    return machine


def ends_in(days, machine):
    """An operator whose ticket for the machine ends so many days from today."""
    return authorised_operator(machine, last_day=days_ago(-days))


def book(operator, machine, days):
    account = AccountFactory()
    return Booking.objects.create(
        on=days_ago(-days),
        site=machine.site,
        machine=machine,
        operator=operator,
        assessor=account,
        made_at=timezone.now(),
        made_by=account,
    )


def forecast(machine, days=30, **what_if):
    (found,) = site_forecasts(
        machine.site, moment=timezone.now(), days=days, what_if=WhatIf(**what_if) if what_if else None
    )
    return found


def test_who_runs_out_is_counted_to_the_end_of_their_last_day(machine):
    ends_in(0, machine), ends_in(9, machine), ends_in(400, machine)
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=2)
    found = forecast(machine)
    assert found.certain.tolist() == [3] + [2] * 9 + [1] * 20
    assert found.first_short == days_ago(-10)
    assert [change.certain for change in found.changes] == [3, 2, 1]


def test_every_day_is_what_the_gate_would_say_on_it(machine):
    people = [ends_in(days, machine) for days in (0, 3, 3, 11, 400)]
    suspended = TicketFactory(
        operator=OperatorFactory(site=machine.site), category=machine.state.category, is_suspended=True
    )
    EvidenceFactory(operator=people[4], kind="medical", counts_to=days_ago(-5), occurred_on=days_ago(1))
    found = forecast(machine, days=14)
    now = timezone.now()
    for number, count in enumerate(found.certain.tolist()):
        at = now + DAY * number
        allowed = 0
        for person in (*people, suspended.operator):
            facts = snapshot(
                operator=person.number, machine=machine.fleet_number, at=at, known_at=timezone.now()
            )
            allowed += decide(facts, at).is_allowed
        assert count == allowed, number


def test_a_booking_adds_what_it_would_give_and_only_as_likely_as_it_is_passed(machine):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    operator = ends_in(4, machine)
    for is_met in (True, True, True, False):
        EvidenceFactory(kind="practical", category=machine.state.category, is_met=is_met)
    book(operator, machine, days=3)
    found = forecast(machine)
    assert found.first_short == days_ago(-5)
    assert found.first_short_if_all_pass is None
    (person,) = found.people
    assert 0.5 < person.chance < 0.9
    assert found.short[4] == 0
    assert found.short[5] == pytest.approx(1 - person.chance)


def test_a_booking_called_off_adds_nothing(machine):
    operator = ends_in(4, machine)
    booking = book(operator, machine, days=3)
    booking.called_off_at, booking.called_off_why = timezone.now(), "Rain."
    booking.save()
    assert forecast(machine).if_all_pass[10] == 0


def test_who_has_passed_and_waits_for_the_renewal_counts_as_sure_once_renewed(machine, client):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    operator = ends_in(4, machine)
    EvidenceFactory(
        operator=operator, kind="practical", category=machine.state.category, occurred_on=days_ago(1)
    )
    found = forecast(machine)
    (person,) = found.people
    assert (person.ready.passed_on, person.booked_on, person.chance) == (days_ago(1), None, 1)
    assert (found.certain[5], found.if_all_pass[5], found.short[5]) == (0, 1, 0)
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    address = reverse("cover", args=[machine.site.code, machine.state.category.code])
    assert "Ready to renew" in signed_in(trainer).get(address).content.decode()


def test_what_if_somebody_is_away_or_assessed_on_a_day_more(machine):
    soon, other = ends_in(4, machine), ends_in(400, machine)
    assert forecast(machine, without=frozenset({other.number})).certain[5] == 0
    assert forecast(machine).if_all_pass[5] == 1
    assert forecast(machine, added={soon.number: days_ago(-2)}).if_all_pass[5] == 2


def test_somebody_lent_counts_only_where_the_gate_would_let_them(machine):
    other = MachineFactory(site=SiteFactory(zone="UTC"), category=machine.state.category)
    stranger = authorised_operator(other)
    assert forecast(machine, lent=frozenset({stranger.number})).now == 0
    for kind, about in (
        ("induction", {"site": machine.site}),
        ("familiarisation", {"machine_model": machine.state.make_and_model}),
    ):
        EvidenceFactory(operator=stranger, kind=kind, **about)
    assert forecast(machine, lent=frozenset({stranger.number})).now == 1


def test_a_forecast_takes_as_many_statements_for_many_people_as_for_one(
    machine, django_assert_max_num_queries
):
    for _ in range(5):
        book(ends_in(4, machine), machine, days=3)
    MachineFactory.create_batch(3, site=machine.site)
    with django_assert_max_num_queries(15):
        assert len(site_forecasts(machine.site, moment=timezone.now(), days=30)) == 4


def test_the_pages_show_the_soonest_shortage_first_and_where_to_book(machine, client):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    operator = ends_in(4, machine)
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    page = signed_in(trainer).get(reverse("cover-list")).content.decode()
    assert "Short from" in page
    address = reverse("cover", args=[machine.site.code, machine.state.category.code])
    page = signed_in(trainer).get(address).content.decode()
    assert operator.number in page
    assert f"{reverse('booking-new')}?operator={operator.number}" in page
    page = signed_in(trainer).get(address, {"without": operator.number}).content.decode()
    assert "As things stand, short from" in page


def test_what_cannot_be_asked_is_said_and_what_was_typed_stays(machine):
    authorised_operator(machine)
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    address = reverse("cover", args=[machine.site.code, machine.state.category.code])
    page = signed_in(trainer).get(address, {"lent": "NOBODY-1"}).content.decode()
    assert "Nobody with this number" in page
    assert "NOBODY-1" in page
    assert signed_in(trainer).get(address, {"days": "x", "on": "soon"}).status_code == 200


def test_a_category_that_the_site_has_not_is_not_found(machine):
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    assert signed_in(trainer).get(reverse("cover", args=[machine.site.code, "no-such"])).status_code == 404


def told(*arguments):
    out = StringIO()
    call_command("cover", *arguments, stdout=out)
    return out.getvalue()


def test_the_terminal_says_the_same(machine):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    ends_in(4, machine)
    assert "short from" in told("--site", machine.site.code)
    (line,) = json.loads(told("--site", machine.site.code, "--days", "10", "--json"))["categories"]
    assert line["now"] == 1
    assert line["first_short"] == days_ago(-5).isoformat()
    assert [day["certain"] for day in line["changes"]] == [1, 0]


@pytest.mark.parametrize(
    "arguments", [["--site", "NOWHERE"], ["--days", "0"], ["--days", "9999"], ["--category", "no-such"]]
)
def test_the_terminal_says_what_it_does_not_understand(machine, arguments):
    if "--site" not in arguments:
        arguments = ["--site", machine.site.code, *arguments]
    with pytest.raises(CommandError):
        told(*arguments)
