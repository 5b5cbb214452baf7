"""Signing in: too many wrong passwords, the second step, setting it up, and losing the phone."""

import json
from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django_otp.oath import totp
from django_otp.plugins.otp_static.models import StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from competence.models import JournalEntry, JournalledRow
from tests.factories import PASSWORD, AccountFactory

pytestmark = pytest.mark.django_db

SIGN_IN = "/sign-in/"


@pytest.fixture
def trainer():
    return AccountFactory(roles=["trainer"], password=PASSWORD)


def code_of(account, *, steps=0):
    """What the account's phone shows, so many half minutes from now."""
    device = TOTPDevice.objects.get(user=account)
    return f"{totp(device.bin_key, t0=-30 * steps):06d}"


def signed_in(account, client=None):
    client = client or Client()
    answer = client.post(SIGN_IN, {"username": account.username, "password": PASSWORD})
    assert answer.status_code == 302, answer.content.decode()
    return client


def with_second_factor(account):
    """The paper codes of an account that has just set one up."""
    client = signed_in(account)
    client.get(reverse("second-factor-set-up"))
    answer = client.post(reverse("second-factor-set-up"), {"code": code_of(account)})
    assert b"Your paper codes" in answer.content
    return answer.context["codes"]


def test_the_second_step_is_asked_before_any_page_and_leads_back_to_it(trainer):
    with_second_factor(trainer)
    client = signed_in(trainer)
    page = reverse("operator-list")
    answer = client.get(page)
    assert answer.url == f"{reverse('second-factor')}?next=%2Foperators%2F"
    assert client.get(reverse("my-record")).status_code == 302
    answer = client.post(answer.url, {"code": code_of(trainer, steps=1), "next": page})
    assert answer.url == page
    assert client.get(page).status_code == 200


def test_a_code_counts_once(trainer):
    with_second_factor(trainer)
    code = code_of(trainer, steps=1)
    first, second = signed_in(trainer), signed_in(trainer)
    assert first.post(reverse("second-factor"), {"code": code}).status_code == 302
    assert second.post(reverse("second-factor"), {"code": code}).status_code == 403


def test_a_paper_code_counts_once_however_it_is_typed(trainer):
    codes = with_second_factor(trainer)
    assert len(set(codes)) == 10
    assert signed_in(trainer).post(reverse("second-factor"), {"code": codes[0].upper()}).status_code == 302
    assert signed_in(trainer).post(reverse("second-factor"), {"code": codes[0]}).status_code == 403
    assert StaticToken.objects.count() == 9


def test_wrong_codes_make_the_wait_longer_even_for_the_right_one(trainer):
    with_second_factor(trainer)
    client, door = signed_in(trainer), reverse("second-factor")
    with time_machine.travel(timezone.now() + timedelta(minutes=5), tick=False):
        for _ in range(4):
            assert client.post(door, {"code": "000000"}).status_code == 403
        assert client.post(door, {"code": code_of(trainer)}).status_code == 403
    with time_machine.travel(timezone.now() + timedelta(minutes=10), tick=False):
        assert client.post(door, {"code": code_of(trainer)}).status_code == 302


def test_a_way_out_of_the_register_is_not_followed(trainer):
    with_second_factor(trainer)
    client = signed_in(trainer)
    answer = client.post(
        reverse("second-factor"), {"code": code_of(trainer, steps=1), "next": "https://elsewhere.example/"}
    )
    assert answer.url == reverse("home")


def test_who_decides_on_tickets_sets_one_before_anything_else(trainer, settings):
    settings.SECOND_FACTOR_REQUIRED = True
    client = signed_in(trainer)
    assert client.get(reverse("operator-list")).url.startswith(reverse("second-factor-set-up"))
    page = client.get(reverse("second-factor-set-up")).content.decode()
    assert "nothing else opens" in page
    assert client.post(reverse("second-factor-set-up"), {"code": "000000"}).status_code == 200
    assert client.get(reverse("operator-list")).status_code == 302
    with time_machine.travel(timezone.now() + timedelta(minutes=1), tick=False):
        client.post(reverse("second-factor-set-up"), {"code": code_of(trainer)})
        assert client.get(reverse("operator-list")).status_code == 200


@pytest.mark.parametrize("role", ["operator", "auditor"])
def test_who_decides_nothing_is_not_asked(role, settings):
    settings.SECOND_FACTOR_REQUIRED = True
    assert signed_in(AccountFactory(roles=[role], password=PASSWORD)).get("/").status_code == 200


def test_what_needs_no_sign_in_needs_no_second_step(trainer, settings):
    settings.SECOND_FACTOR_REQUIRED = True
    assert signed_in(trainer).get(reverse("alive")).status_code == 200


def test_the_journal_tells_that_it_was_set_and_never_the_secret(trainer):
    codes = with_second_factor(trainer)
    device = TOTPDevice.objects.get(user=trainer)
    assert JournalEntry.objects.get().action == "account.second_factor_set"
    told = json.dumps(list(JournalledRow.objects.values_list("content", flat=True)))
    assert device.key not in told
    assert not any(code in told for code in codes)


def test_a_secret_that_is_set_is_never_shown_again(trainer):
    with_second_factor(trainer)
    client = signed_in(trainer)
    client.post(reverse("second-factor"), {"code": code_of(trainer, steps=1)})
    page = client.get(reverse("second-factor-set-up")).content.decode()
    assert "It is set" in page
    assert "<img class" not in page


def test_new_paper_codes_end_those_before(trainer):
    old = with_second_factor(trainer)
    client = signed_in(trainer)
    assert client.post(reverse("paper-codes")).status_code == 302
    client.post(reverse("second-factor"), {"code": code_of(trainer, steps=1)})
    new = client.post(reverse("paper-codes")).context["codes"]
    assert not set(new) & set(old)
    assert signed_in(trainer).post(reverse("second-factor"), {"code": old[0]}).status_code == 403


def test_a_lost_phone_is_put_right_by_another_site_admin_and_never_by_oneself(trainer):
    with_second_factor(trainer)
    admin = AccountFactory(roles=["site_admin"], password=PASSWORD)
    client = signed_in(admin)
    door = reverse("second-factor-remove", args=[trainer.username])
    assert client.post(door, {"reason": "Phone and paper lost in the quarry."}).status_code == 302
    assert JournalEntry.objects.filter(action="account.second_factor_removed").exists()
    assert signed_in(trainer).get("/").status_code == 200
    own = client.post(reverse("second-factor-remove", args=[admin.username]), {"reason": "Mine."})
    assert b"Nobody takes away their own" in own.content


class TestTooManyWrongPasswords:
    @pytest.fixture(autouse=True)
    def _guarded(self, settings):
        settings.AXES_ENABLED = True

    def tries(self, name, times, **more):
        for _ in range(times):
            answer = Client().post(SIGN_IN, {"username": name, "password": "wrong"}, **more)
        return answer

    def test_after_eight_the_name_rests_for_five_minutes(self, trainer):
        assert self.tries(trainer.username, 7).status_code == 200
        answer = self.tries(trainer.username.upper(), 1)
        assert answer.status_code == 429
        assert b"Wait five minutes" in answer.content
        right = {"username": trainer.username, "password": PASSWORD}
        assert Client().post(SIGN_IN, right).status_code == 429
        with time_machine.travel(timezone.now() + timedelta(minutes=6)):
            assert Client().post(SIGN_IN, right).status_code == 302

    def test_nobody_else_rests_with_it(self, trainer):
        other = AccountFactory(roles=["operator"], password=PASSWORD)
        self.tries(trainer.username, 8)
        assert signed_in(other)
        right = {"username": trainer.username, "password": PASSWORD}
        assert Client().post(SIGN_IN, right, REMOTE_ADDR="192.0.2.7").status_code == 302

    def test_in_production_the_address_is_the_one_that_the_proxy_saw(self, trainer, settings):
        settings.IS_PRODUCTION = True
        for number in range(8):
            answer = self.tries(trainer.username, 1, HTTP_X_FORWARDED_FOR=f"10.0.0.{number}, 192.0.2.7")
        assert answer.status_code == 429
