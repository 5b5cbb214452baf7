"""The set-up is kept for every site at once, journalled, and its codes never change."""

import pytest
from django.core.exceptions import ValidationError

from competence.actions.errors import ActionRefused
from competence.actions.setup import keep_setup
from competence.models import Employer, JournalEntry, MinimumCover
from competence.permissions import NotAllowed
from tests.factories import AccountFactory, CategoryFactory, MachineFactory, SiteFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def admin():
    return AccountFactory(roles=["site_admin"])


def test_a_row_is_kept_and_journalled(admin):
    kept = keep_setup(by=admin, row=Employer(name="Fellside Plant Hire"))
    assert Employer.objects.get() == kept
    assert JournalEntry.objects.get().action == "employer.kept"


def test_a_site_admin_of_one_site_keeps_no_set_up():
    account = AccountFactory(roles=[("site_admin", SiteFactory())])
    with pytest.raises(NotAllowed):
        keep_setup(by=account, row=Employer(name="Fellside Plant Hire"))
    assert not Employer.objects.exists()


@pytest.mark.parametrize("factory", [SiteFactory, CategoryFactory])
def test_a_code_never_changes(admin, factory):
    row = factory()
    code, row.code = row.code, "another"
    with pytest.raises(ActionRefused, match="never changes"):
        keep_setup(by=admin, row=row)
    row.refresh_from_db()
    assert row.code == code


def test_a_name_may_change(admin):
    site = SiteFactory()
    site.name = "Thornbeck Quarry, north face"
    assert keep_setup(by=admin, row=site).name == "Thornbeck Quarry, north face"


def test_minimum_cover_of_nobody_is_refused(admin):
    row = MinimumCover(site=SiteFactory(), category=CategoryFactory(), operators=0)
    with pytest.raises(ValidationError):
        keep_setup(by=admin, row=row)


def test_a_zone_that_is_not_in_the_database_of_zones_is_refused(admin):
    site = SiteFactory()
    site.zone = "Europe/Thornbeck"
    with pytest.raises(ValidationError, match="not a time zone"):
        keep_setup(by=admin, row=site)


def test_what_has_actions_of_its_own_is_not_kept_here(admin):
    with pytest.raises(TypeError, match="actions of its own"):
        keep_setup(by=admin, row=MachineFactory())
