"""A defect is closed once, by the site admin of the site where its machine stands."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.defects import close_defect
from competence.actions.errors import ActionRefused
from competence.models import JournalEntry
from competence.permissions import NotAllowed
from tests.factories import AccountFactory, DefectFactory, MachineFactory, MachineStateFactory, SiteFactory

pytestmark = pytest.mark.django_db


def open_defect(**changed):
    """Found an hour ago: a defect is never closed before it was opened."""
    started = timezone.now() - timedelta(hours=1)
    return DefectFactory(opened_by__daily_check__started_at=started, **changed)


def test_closing_says_who_when_and_what():
    defect = open_defect()
    admin = AccountFactory(roles=[("site_admin", defect.machine.site)])
    closed = close_defect(by=admin, defect=defect, done="New tyre fitted.")
    assert (closed.closed_by, closed.done, closed.is_open) == (admin, "New tyre fitted.", False)
    assert JournalEntry.objects.get().action == "defect.closed"


def test_the_second_to_close_is_told_who_was_first_and_changes_nothing():
    defect = open_defect(machine=MachineFactory(site=SiteFactory(zone="Australia/Brisbane")))
    first = AccountFactory(roles=["site_admin"], first_name="Ned", last_name="Farrow")
    close_defect(by=first, defect=defect, done="New tyre fitted.")
    with pytest.raises(
        ActionRefused, match=r"Ned Farrow closed this .* \(Australia/Brisbane\).*New tyre"
    ) as told:
        close_defect(by=AccountFactory(roles=["site_admin"]), defect=defect, done="Done again.")
    assert told.value.field is None
    defect.refresh_from_db()
    assert (defect.closed_by, defect.done) == (first, "New tyre fitted.")


def test_what_was_done_must_be_said():
    defect = open_defect()
    with pytest.raises(ValidationError):
        close_defect(by=AccountFactory(roles=["site_admin"]), defect=defect, done="")
    defect.refresh_from_db()
    assert defect.is_open


def test_after_a_move_the_new_site_closes_and_the_old_one_does_not():
    old, new = SiteFactory(), SiteFactory()
    defect = open_defect(machine=MachineFactory(site=old))
    MachineStateFactory(machine=defect.machine, site=new)
    with pytest.raises(NotAllowed):
        close_defect(by=AccountFactory(roles=[("site_admin", old)]), defect=defect, done="Replaced.")
    closed = close_defect(by=AccountFactory(roles=[("site_admin", new)]), defect=defect, done="Replaced.")
    assert not closed.is_open


@pytest.mark.parametrize("role", ["trainer", "auditor"])
def test_no_other_role_closes(role):
    with pytest.raises(NotAllowed):
        close_defect(by=AccountFactory(roles=[role]), defect=open_defect(), done="Replaced.")
