"""Entering, changing and correcting people; opening accounts; giving and ending roles."""

import pytest
from django.utils import timezone

from competence.actions.appointments import appoint
from competence.actions.errors import ActionRefused
from competence.actions.people import (
    change_operator,
    correct_operator,
    end_role,
    enter_operator,
    give_role,
    keep_contact,
    open_account,
    set_password,
)
from competence.models import Account, JournalEntry, Role
from competence.permissions import NotAllowed
from tests.doors.people_world import people_world
from tests.factories import PASSWORD, AccountFactory, EmployerFactory, RoleFactory
from tests.factories.base import days_ago, moment_ago

from .journalled import journals

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    return people_world()


def newcomer(world, **more):
    return {
        "number": "OP9",
        "given_name": "Carys",
        "family_name": "Carrow",
        "employer": EmployerFactory(),
        "site": world.site,
        "started_on": days_ago(3),
        **more,
    }


def test_entering_somebody_is_journalled_with_the_person_and_their_state(world):
    with journals("operator.entered", rows={"competence.operator", "competence.operatorstate"}):
        operator = enter_operator(by=world.site_admin, **newcomer(world))
    assert operator.state.is_active
    assert operator.site == world.site


def test_nobody_enters_people_at_another_site_or_without_the_role(world):
    for account in (world.far_admin, world.trainer, world.auditor, world.operator_account):
        with journals(None), pytest.raises(NotAllowed):
            enter_operator(by=account, **newcomer(world))


def test_a_number_is_given_once(world):
    with journals(None), pytest.raises(ActionRefused) as refused:
        enter_operator(by=world.site_admin, **newcomer(world, number="OP1"))
    assert refused.value.field == "number"


def change(world, by=None, **more):
    state = world.operator.state
    whole = {"employer": state.employer, "site": state.site, "is_active": True, "reason": "Moved", **more}
    return change_operator(by=by or world.site_admin, operator=world.operator, **whole)


def test_leaving_closes_the_account_in_the_same_act(world):
    with journals(
        "operator.changed",
        rows={"competence.operator", "competence.operatorstate", "competence.account"},
    ):
        change(world, is_active=False)
    world.operator_account.refresh_from_db()
    assert not world.operator_account.is_active
    change(world, is_active=True)
    world.operator_account.refresh_from_db()
    assert world.operator_account.is_active


def test_a_change_entered_late_from_before_the_leaving_does_not_open_the_account_again(world):
    change(world, is_active=False)
    change(
        world,
        is_active=True,
        employer=EmployerFactory(),
        effective_at=moment_ago(10),
        reason="Forgotten move",
    )
    world.operator.refresh_from_db()
    world.operator_account.refresh_from_db()
    assert not world.operator.state.is_active
    assert not world.operator_account.is_active


def test_who_left_before_something_that_was_entered_since_has_left_now_as_well(world):
    """An office that enters a leaving late lets nobody take a machine out meanwhile."""
    change(world, employer=EmployerFactory())
    left = moment_ago(1)
    change(world, is_active=False, effective_at=left, reason="Left yesterday")
    world.operator.refresh_from_db()
    world.operator_account.refresh_from_db()
    assert not world.operator.state.is_active
    assert not world.operator_account.is_active
    assert world.operator.states.filter(is_active=False, effective_at=left).exists()


def test_a_change_that_changes_nothing_is_refused(world):
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        change(world)
    whole = {"given_name": "Ada", "family_name": "Ashworth", "started_on": world.operator.started_on}
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        correct_operator(by=world.site_admin, operator=world.operator, reason="Again", **whole)
    assert world.operator.states.count() == 1


@pytest.mark.parametrize(("day", "is_taken"), [(365, True), (367, False), (-21_000, True), (-22_000, False)])
def test_a_first_day_out_of_reach_is_refused(world, day, is_taken):
    started_on = days_ago(-day)
    if is_taken:
        assert enter_operator(by=world.site_admin, **newcomer(world, started_on=started_on))
        return
    told = {"given_name": "Ada", "family_name": "Ashworth", "reason": "Slip", "started_on": started_on}
    for act in (
        lambda: enter_operator(by=world.site_admin, **newcomer(world, started_on=started_on)),
        lambda: correct_operator(by=world.site_admin, operator=world.operator, **told),
    ):
        with journals(None), pytest.raises(ActionRefused) as refused:
            act()
        assert refused.value.field == "started_on"


def test_moving_somebody_takes_the_right_at_both_sites(world):
    with pytest.raises(NotAllowed):
        change(world, site=world.other_site)
    with pytest.raises(NotAllowed):
        change(world, by=world.far_admin, site=world.other_site)
    assert change(world, by=world.head, site=world.other_site).state.site == world.other_site


def test_a_change_takes_effect_no_later_than_now(world):
    with journals(None), pytest.raises(ActionRefused) as refused:
        change(world, effective_at=timezone.now() + timezone.timedelta(hours=1))
    assert refused.value.field == "effective_at"


def test_a_name_is_corrected_at_ones_own_site_only(world):
    told = {"given_name": "Adah", "family_name": "Ashworth", "started_on": days_ago(9), "reason": "Misspelt"}
    with pytest.raises(NotAllowed):
        correct_operator(by=world.far_admin, operator=world.operator, **told)
    with journals("operator.corrected", rows={"competence.operator"}, reason="Misspelt"):
        assert correct_operator(by=world.site_admin, operator=world.operator, **told).given_name == "Adah"


# Accounts ------------------------------------------------------------------------------------------------


def test_an_account_is_opened_once_for_one_operator(world):
    told = {"username": "bram", "password": "long enough for anybody", "operator": world.newcomer}
    with pytest.raises(NotAllowed):
        open_account(by=world.far_admin, **told)
    with journals("account.opened", rows={"competence.account", "competence.role"}):
        account = open_account(by=world.site_admin, **told)
    assert account.name == "Bram Bellamy"
    assert [(role.name, role.site) for role in account.held_roles] == [("operator", world.site)]
    assert account.check_password(told["password"])
    with journals(None), pytest.raises(ActionRefused, match="has an account already"):
        open_account(by=world.site_admin, **{**told, "username": "bram2"})


@pytest.mark.parametrize(
    ("told", "field"),
    [
        ({"username": "person"}, "username"),
        ({"username": "PERSON"}, "username"),
        ({"username": " Person "}, "username"),
        ({"username": "New"}, "username"),
        ({"username": "new"}, "username"),
        ({"password": "short"}, "password"),
        ({"password": "1234567890"}, "password"),
    ],
)
def test_a_taken_name_or_a_weak_password_is_refused_beside_its_field(world, told, field):
    AccountFactory(username="person")
    whole = {"username": "somebody", "password": "long enough for anybody", **told}
    with journals(None), pytest.raises(ActionRefused) as refused:
        open_account(by=world.site_admin, **whole)
    assert refused.value.field == field


def test_only_the_first_account_is_opened_by_nobody(world):
    with pytest.raises(ActionRefused):
        open_account(by=None, username="second", password="long enough for anybody")


def test_a_password_is_set_and_journalled_without_being_kept(world):
    with journals("account.password_set", rows={"competence.account"}) as entry:
        set_password(by=world.site_admin, account=world.operator_account, password="long enough for anybody")
    world.operator_account.refresh_from_db()
    assert world.operator_account.check_password("long enough for anybody")
    kept = str([row.content for row in entry().rows.all()])
    assert world.operator_account.password not in kept
    assert "long enough" not in kept


def test_anybody_sets_their_own_password_and_a_weak_one_changes_nothing(world):
    with pytest.raises(ActionRefused):
        set_password(by=world.auditor, account=world.auditor, password="short")
    assert Account.objects.get(pk=world.auditor.pk).check_password(PASSWORD)
    set_password(by=world.auditor, account=world.auditor, password="long enough for anybody")
    assert Account.objects.get(pk=world.auditor.pk).check_password("long enough for anybody")


def test_nobody_takes_over_an_account_that_may_do_more_than_they_may(world):
    """With the password of a head-office admin, a site admin could do everything everywhere."""
    for account in (world.head, world.far_admin, AccountFactory(roles=[("auditor", world.site), "trainer"])):
        with journals(None), pytest.raises(NotAllowed):
            set_password(by=world.site_admin, account=account, password="long enough for anybody")
        with pytest.raises(NotAllowed):
            keep_contact(by=world.site_admin, account=account, phone="1", email="")
    for account in (world.trainer, world.auditor):
        with pytest.raises(NotAllowed):
            set_password(by=account, account=world.operator_account, password="long enough for anybody")


def test_a_role_is_given_where_one_keeps_people(world):
    account = AccountFactory()
    with journals("role.given", rows={"competence.role"}):
        give_role(by=world.site_admin, account=account, name="trainer", site=world.site)
    for by, site in (
        (world.site_admin, world.other_site),
        (world.site_admin, None),
        (world.trainer, world.site),
    ):
        with journals(None), pytest.raises(NotAllowed):
            give_role(by=by, account=account, name="auditor", site=site)
    give_role(by=world.head, account=account, name="auditor", site=None)
    assert account.roles.count() == 2


def test_nobody_gives_a_role_to_themself(world):
    """In two taps, who keeps accounts would be a trainer, and decide on tickets."""
    for account, site in ((world.site_admin, world.site), (world.head, None)):
        with journals(None), pytest.raises(ActionRefused, match="themself") as refused:
            give_role(by=account, account=account, name="trainer", site=site)
        assert refused.value.field == "name"
        assert [role.name for role in account.roles.all()] == ["site_admin"]


def test_a_role_held_already_or_an_operators_role_without_an_operator_is_refused(world):
    for account, name in ((world.trainer, "trainer"), (world.auditor, "operator")):
        with journals(None), pytest.raises(ActionRefused) as refused:
            give_role(by=world.site_admin, account=account, name=name, site=world.site)
        assert refused.value.field == "name"


def test_a_role_is_ended_once_and_the_right_goes_with_it(world):
    role = world.trainer.roles.get()
    with pytest.raises(NotAllowed):
        end_role(by=world.far_admin, role=role, reason="Left")
    with journals("role.ended", rows={"competence.role"}, reason="Left"):
        end_role(by=world.site_admin, role=role, reason="Left")
    with journals(None):
        end_role(by=world.site_admin, role=role, reason="Left")
    assert Account.objects.get(pk=world.trainer.pk).held_roles == []


def test_nobody_ends_their_own_role_so_the_last_site_admin_stays(world):
    with journals(None), pytest.raises(ActionRefused, match="their own role"):
        end_role(by=world.head, role=world.head.roles.get(), reason="Enough")
    assert Role.objects.filter(account=world.head, ended_at=None).exists()


# Appointments --------------------------------------------------------------------------------------------


def appointing(world, **more):
    return {
        "by": world.head,
        "account": world.trainer,
        "category": world.category,
        "first_day": days_ago(0),
        "last_day": days_ago(-365),
        "duties": "Assesses at the machine.",
        **more,
    }


def test_a_trainer_is_appointed_by_somebody_who_may_everywhere(world):
    with pytest.raises(NotAllowed):
        appoint(**appointing(world, by=world.site_admin))
    with journals("appointment.made", rows={"competence.appointment"}):
        assert appoint(**appointing(world)).recorded_by == world.head


def test_nobody_appoints_themself_or_somebody_who_is_no_trainer(world):
    RoleFactory(account=world.head, name="trainer")
    with journals(None), pytest.raises(ActionRefused, match="themself"):
        appoint(**appointing(world, account=world.head))
    with journals(None), pytest.raises(ActionRefused) as refused:
        appoint(**appointing(world, account=world.auditor))
    assert refused.value.field == "account"
    assert JournalEntry.objects.count() == 0
