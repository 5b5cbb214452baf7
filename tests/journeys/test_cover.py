"""The office on a Monday: from signing in to a booked renewal, by way of where a site will be short."""

import pytest

from assessments.models import Booking
from tests.conftest import DESK, PHONE
from tests.factories import (
    PASSWORD,
    AccountFactory,
    AppointmentFactory,
    MachineFactory,
    MinimumCoverFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import days_ago

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True), pytest.mark.slow]


@pytest.mark.parametrize("screen", [PHONE, DESK], ids=["phone", "desk"])
def test_from_signing_in_to_a_booked_renewal(open_page, check_access, screen):
    machine = MachineFactory(site=SiteFactory(zone="UTC", name="Bell Pit"))
    category = machine.state.category
    plain_standard(category=category)
    MinimumCoverFactory(site=machine.site, category=category, operators=1)
    operator = authorised_operator(machine, last_day=days_ago(-20))
    admin = AccountFactory(roles=[("site_admin", machine.site)])
    assessor = AccountFactory(roles=[("trainer", machine.site)], first_name="Greta", last_name="Dunmore")
    AppointmentFactory(account=assessor, category=category)

    page = open_page(screen)
    page.goto("/sign-in/")
    page.get_by_label("Username").fill(admin.username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.goto("/cover/")
    page.get_by_text("Short from").wait_for()
    check_access(page)
    page.get_by_role("link", name=category.name).click()
    page.get_by_role("img", name="People authorised, day by day").wait_for()
    check_access(page)
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    page.get_by_role("link", name="Book", exact=True).click()
    page.locator("[name=machine]").select_option(str(machine.pk))
    page.locator("[name=assessor]").select_option(str(assessor.pk))
    page.locator("[name=on]").fill(days_ago(-5).isoformat())
    page.get_by_role("button", name="Book", exact=True).click()
    page.wait_for_url("**/bookings/?*")
    assert Booking.objects.get().operator == operator

    # The forecast has heard of it.
    page.goto(f"/cover/{machine.site.code}/{category.code}/")
    page.get_by_text("Bookings and renewals that are ready close the gap").wait_for()
    page.get_by_text("if every booking is passed").wait_for()
