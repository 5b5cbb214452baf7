"""Machines are entered and changed state by state, and a change never reaches beyond now."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.errors import ActionRefused
from competence.actions.plant import change_machine, enter_machine
from competence.models import JournalEntry, Machine
from competence.permissions import NotAllowed
from tests.factories import AccountFactory, CategoryFactory, FeatureFactory, MachineFactory, SiteFactory

pytestmark = pytest.mark.django_db


def enter(**changed):
    site = changed.pop("site", None) or SiteFactory()
    asked = {
        "by": AccountFactory(roles=[("site_admin", site)]),
        "fleet_number": "DT900",
        "make_and_model": "Harrow 30",
        "category": CategoryFactory(),
        "site": site,
        "operating_mass_kg": 24_000,
    }
    return enter_machine(**{**asked, **changed})


def change(machine, **changed):
    state = machine.state
    asked = {
        "by": AccountFactory(roles=["site_admin"]),
        "make_and_model": state.make_and_model,
        "category": state.category,
        "site": state.site,
        "operating_mass_kg": state.operating_mass_kg,
        "features": list(state.features.all()),
        "is_in_service": True,
        "reason": "Changed by the workshop.",
    }
    return change_machine(machine=machine, **{**asked, **changed})


def test_a_new_machine_is_in_service_with_what_is_fitted_and_in_the_journal():
    camera = FeatureFactory()
    machine = enter(features=[camera])
    assert machine.state.is_in_service
    assert list(machine.state.features.all()) == [camera]
    assert JournalEntry.objects.get().action == "machine.entered"


def test_a_fleet_number_is_taken_once():
    MachineFactory(fleet_number="DT900")
    with pytest.raises(ActionRefused, match="DT900 is taken") as refused:
        enter()
    assert refused.value.field == "fleet_number"


@pytest.mark.parametrize("text", ["dt 9", "", "D" * 21, "DÜ1"])
def test_a_fleet_number_that_could_not_stand_in_an_address_is_refused(text):
    with pytest.raises(ValidationError):
        enter(fleet_number=text)
    assert not Machine.objects.exists()


@pytest.mark.parametrize(
    ("mass", "is_taken"), [(9_999, False), (10_000, True), (40_000, True), (40_001, False)]
)
def test_the_bounds_of_a_category_belong_to_it(mass, is_taken):
    category = CategoryFactory(min_mass_kg=10_000, max_mass_kg=40_000)
    if is_taken:
        assert enter(category=category, operating_mass_kg=mass).state.operating_mass_kg == mass
    else:
        with pytest.raises(ActionRefused, match="belongs to another category"):
            enter(category=category, operating_mass_kg=mass)


def test_a_category_bounded_by_mass_asks_for_the_mass():
    with pytest.raises(ActionRefused, match="must be entered"):
        enter(category=CategoryFactory(max_mass_kg=40_000), operating_mass_kg=None)


def test_a_site_admin_of_another_site_can_neither_enter_nor_move_a_machine_here():
    here, elsewhere = SiteFactory(), SiteFactory()
    stranger = AccountFactory(roles=[("site_admin", elsewhere)])
    with pytest.raises(NotAllowed):
        enter(site=here, by=stranger)
    with pytest.raises(NotAllowed):
        change(MachineFactory(site=here), by=stranger, site=elsewhere)
    with pytest.raises(NotAllowed):
        change(MachineFactory(site=elsewhere), by=stranger, site=here)


def test_a_change_keeps_what_the_machine_was():
    machine = MachineFactory()
    before = machine.state
    change(machine, is_in_service=False, reason="Gearbox out.")
    machine.refresh_from_db()
    assert not machine.state.is_in_service
    assert machine.states.earliest("pk") == before
    assert before.is_in_service


def test_a_change_entered_late_for_an_earlier_moment_does_not_undo_a_later_one():
    machine = MachineFactory()
    change(machine, is_in_service=False, reason="Gearbox out.")
    week_ago = timezone.now() - timedelta(days=7)
    change(Machine.objects.get(), make_and_model="Harrow 31", effective_at=week_ago, reason="Plate misread.")
    machine.refresh_from_db()
    assert not machine.state.is_in_service
    assert machine.states.count() == 3


def test_a_machine_out_of_service_before_something_entered_since_is_out_now_as_well():
    machine = MachineFactory()
    change(machine, make_and_model="Harrow 31", reason="Plate misread.")
    yesterday = timezone.now() - timedelta(days=1)
    change(Machine.objects.get(), is_in_service=False, effective_at=yesterday, reason="Gearbox out.")
    machine.refresh_from_db()
    assert not machine.state.is_in_service
    assert machine.state.make_and_model == "Harrow 31"
    assert machine.states.filter(is_in_service=False, effective_at=yesterday).exists()


def test_a_change_to_come_is_refused():
    with pytest.raises(ActionRefused, match="no later than now"):
        change(MachineFactory(), effective_at=timezone.now() + timedelta(minutes=5))


def test_a_change_without_a_reason_is_refused():
    machine = MachineFactory()
    with pytest.raises(ValidationError):
        change(machine, is_in_service=False, reason="")
    assert machine.states.count() == 1


def test_a_change_that_changes_nothing_is_refused():
    camera, blade = FeatureFactory(), FeatureFactory()
    machine = MachineFactory(features=[camera])
    with pytest.raises(ActionRefused, match="says already"):
        change(machine, features=[camera])
    assert machine.states.count() == 1
    change(machine, features=[camera, blade])
    with pytest.raises(ActionRefused, match="says already"):
        change(Machine.objects.get(), features=[blade, camera])
    change(Machine.objects.get(), features=[blade])
