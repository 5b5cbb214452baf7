"""Standards are published whole, for every site, and never reach into the past of those they judge."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.errors import ActionRefused
from competence.actions.standards import publish_standard
from competence.models import AcceptedCategory, JournalEntry, StandardVersion
from competence.permissions import NotAllowed
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    MachineFactory,
    SiteFactory,
    StandardVersionFactory,
)

pytestmark = pytest.mark.django_db

TERMS = {
    "months": 36,
    "period_end": "day_before",
    "renewal_window_days": 90,
    "lapse_limit_days": 60,
    "pass_mark": "0.8",
    "issue_by_another": False,
    "note": "",
}
MEDICAL = {"kind": "medical", "title": "Medical", "months": 24, "source": "common practice"}


def today():
    return timezone.now().date()


def publish(category, **changed):
    asked = {
        "by": AccountFactory(roles=["trainer"]),
        "in_force_from": today(),
        "requirements": [MEDICAL],
        **TERMS,
    }
    return publish_standard(category=category, **{**asked, **changed})


def test_a_version_is_published_with_its_lines_and_what_it_accepts():
    dumper, loader = CategoryFactory(), CategoryFactory()
    version = publish(dumper, accepts=[loader, dumper])
    assert version.number == 1
    assert [line.title for line in version.requirements.all()] == ["Medical"]
    assert [row.category for row in AcceptedCategory.objects.all()] == [loader]
    assert JournalEntry.objects.get().action == "standard.published"


def test_the_next_version_is_numbered_on_and_starts_later():
    category = CategoryFactory()
    publish(category)
    with pytest.raises(ActionRefused, match="starts later") as refused:
        publish(category)
    assert refused.value.field == "in_force_from"
    assert publish(category, in_force_from=today() + timedelta(days=1)).number == 2


def test_where_somebody_can_be_judged_no_version_starts_in_the_past():
    machine = MachineFactory()
    category = machine.state.category
    StandardVersionFactory(category=category)
    with pytest.raises(ActionRefused, match="today or later"):
        publish(category, in_force_from=today() - timedelta(days=2))
    assert publish(category, in_force_from=today()).number == 2


def test_a_standard_that_asks_for_nothing_is_refused():
    with pytest.raises(ActionRefused, match="anybody through"):
        publish(CategoryFactory(), requirements=[])


@pytest.mark.parametrize("pass_mark", ["0", "1.001", "-0.1"])
def test_a_pass_mark_is_a_share(pass_mark):
    with pytest.raises(ValidationError):
        publish(CategoryFactory(), pass_mark=pass_mark)


def test_hours_that_are_asked_for_are_stated_and_nothing_is_left_behind_otherwise():
    with pytest.raises(ValidationError, match="how many hours"):
        publish(
            CategoryFactory(), requirements=[MEDICAL, {"kind": "training_hours", "title": "Taught hours"}]
        )
    assert not StandardVersion.objects.exists()


@pytest.mark.parametrize("role", ["site_admin", "auditor", "operator"])
def test_only_a_trainer_publishes(role):
    with pytest.raises(NotAllowed):
        publish(CategoryFactory(), by=AccountFactory(roles=[role]))


def test_a_trainer_of_one_site_does_not_publish_for_all():
    with pytest.raises(NotAllowed):
        publish(CategoryFactory(), by=AccountFactory(roles=[("trainer", SiteFactory())]))
