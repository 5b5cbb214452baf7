"""What every answer says to the browser, what is refused at once, and when a sign-in ends.

The numbers are those of OWASP ASVS 5.0.
"""

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
import time_machine
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.test import Client, RequestFactory
from django.urls import reverse
from django.utils import timezone
from zeal import zeal_ignore

from competence.actions.people import end_role, set_password
from tests.factories import PASSWORD, AccountFactory, OperatorFactory

pytestmark = pytest.mark.django_db
HERE = Path(__file__).parents[2]


@pytest.fixture
def trainer():
    return AccountFactory(roles=["trainer"])


@pytest.fixture
def signed_in(client, trainer):
    client.force_login(trainer)
    return client


@pytest.mark.parametrize("address", ["/", "/sign-in/", "/no-such-page/", "/static/competence/phone_shelf.js"])
def test_every_answer_keeps_the_browser_in_bounds(signed_in, address):
    """3.4.3 to 3.4.6: with a page, a redirect, an error and a static file."""
    answer = signed_in.get(address)
    policy = answer["Content-Security-Policy"]
    for directive in ("default-src 'self'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
        assert directive in policy
    assert "unsafe" not in policy
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["Cross-Origin-Opener-Policy"] == "same-origin"
    assert answer["Cross-Origin-Resource-Policy"] == "same-origin"
    assert "geolocation=()" in answer["Permissions-Policy"]


def test_no_page_is_left_in_a_cache(signed_in):
    """14.3.2: also those that say nothing of it themselves."""
    for address in (reverse("home"), reverse("operator-list"), reverse("standard-list"), "/no-such-page/"):
        assert "no-store" in signed_in.get(address)["Cache-Control"], address
    assert "no-store" not in signed_in.get("/static/competence/phone_shelf.js").get("Cache-Control", "")


def test_signing_out_has_the_browser_forget_its_pictures(signed_in):
    """14.3.1"""
    assert signed_in.post(reverse("sign-out"))["Clear-Site-Data"] == '"cache"'
    assert signed_in.get(reverse("home")).status_code == 302


def test_a_null_character_in_an_address_is_no_error_of_the_register(signed_in):
    answer = signed_in.get("/operators/%00/")
    assert answer.status_code == 400
    assert "Content-Security-Policy" in answer.headers


def test_the_set_up_pages_hold_no_script_or_style_of_their_own(client):
    """The policy allows none; a page that had some would only half work."""
    client.force_login(AccountFactory(roles=["site_admin"]))
    for name in ("setup:index", "setup:competence_site_changelist", "setup:competence_site_add"):
        page = client.get(reverse(name)).content.decode()
        assert " style=" not in page
        assert "<style" not in page
        assert " onclick=" not in page
        assert "<script>" not in page


def test_staff_who_leave_a_screen_alone_sign_in_again(signed_in):
    """7.3.1"""
    later = timezone.now() + timedelta(hours=1, minutes=50)
    with time_machine.travel(later):
        assert signed_in.get(reverse("home")).status_code == 200
    with time_machine.travel(later + timedelta(hours=1, minutes=50)):
        assert signed_in.get(reverse("home")).status_code == 200
    with time_machine.travel(later + timedelta(hours=3, minutes=55)):
        assert signed_in.get(reverse("home")).status_code == 302


def test_an_operator_keeps_the_sign_in_for_the_shift_and_no_longer(client):
    """7.3.2"""
    operator = OperatorFactory()
    client.force_login(AccountFactory(operator=operator))
    begun = timezone.now()
    for hours in (4, 8, 11.9):
        with time_machine.travel(begun + timedelta(hours=hours)):
            assert client.get(reverse("home")).status_code == 200
    with time_machine.travel(begun + timedelta(hours=12, minutes=1)):
        assert client.get(reverse("home")).status_code == 302


def test_a_new_password_ends_every_other_sign_in(trainer):
    """7.4.3, 7.4.5"""
    phone, desk = Client(), Client()
    phone.force_login(trainer)
    desk.force_login(trainer)
    set_password(by=trainer, account=trainer, password="words of my own for once")
    # The two sign-ins are ended one by one, each when it next asks.
    with zeal_ignore():
        assert phone.get(reverse("home")).status_code == desk.get(reverse("home")).status_code == 302


def test_a_role_that_ends_closes_its_doors_in_the_session_that_is_open(signed_in, trainer):
    """8.3.1: asked at each request, of the database."""
    assert signed_in.get(reverse("operator-list")).status_code == 200
    end_role(by=AccountFactory(roles=["site_admin"]), role=trainer.roles.get(), reason="Moved on")
    assert signed_in.get(reverse("operator-list")).status_code == 403


@pytest.mark.parametrize(
    "password", ["Competence-1234", "operator.2026!", "QuarryRegister99", "password12345", "short words"[:9]]
)
def test_a_password_that_anybody_would_try_first_is_refused(password):
    """6.2.1, 6.2.4, 6.2.11"""
    with pytest.raises(ValidationError):
        validate_password(password)


@pytest.mark.parametrize("password", ["walk-round-first", "nine red dumpers on ice", "é" * 64, "x9" * 60])
def test_a_password_of_ones_own_is_taken_whatever_it_is_made_of(password):
    """6.2.5, 6.2.9"""
    validate_password(password)


def test_a_long_password_counts_to_its_last_character(client):
    """6.2.8"""
    long = "a long one of more than seventy-two characters, as some ways of keeping it cut off: " + PASSWORD
    account = AccountFactory(password=long, roles=["auditor"])
    said = {"username": account.username, "password": long[:-1]}
    assert client.post("/sign-in/", said).status_code == 200
    assert client.post("/sign-in/", said | {"password": long}).status_code == 302


def test_password_fields_mask_and_let_a_password_manager_in(signed_in):
    """6.2.6, 6.2.7"""
    for page in (Client().get("/sign-in/"), signed_in.get(reverse("password-change"))):
        text = page.content.decode()
        assert 'type="password"' in text
        assert "onpaste" not in text
        assert "maxlength" not in text.split('type="password"')[1].split(">")[0]
        assert "current-password" in text


def test_a_name_that_is_not_known_is_answered_as_a_wrong_password_is(client):
    """6.3.8"""
    account = AccountFactory(password=PASSWORD)
    answers = [
        client.post("/sign-in/", {"username": name, "password": "not the right one"})
        for name in (account.username, "nobody.of.that.name")
    ]
    told = [list(answer.context["form"].non_field_errors()) for answer in answers]
    assert told[0] == told[1]
    assert told[0]


def test_what_a_proxy_did_not_say_is_not_believed(client, settings):
    """4.1.3: only the last part of the header, which the proxy itself writes."""
    from competence.views.sign_in import address_of

    settings.IS_PRODUCTION = True
    request = RequestFactory().get("/", headers={"X-Forwarded-For": "10.9.9.9, 192.0.2.7"})
    assert address_of(request) == "192.0.2.7"


def test_production_names_its_cookies_so_that_no_other_host_can_set_them(tmp_path):
    """3.3.1, 3.3.3, 3.4.1: as its settings are, in a process of their own."""
    stated = {
        "REGISTER_PRODUCTION": "1",
        "REGISTER_HOSTS": "register.example",
        "REGISTER_SECRET_KEY": "x9" * 40,
        "REGISTER_JOURNAL_KEY": "ab" * 32,
        "REGISTER_CARD_KEY": "cd" * 32,
        "REGISTER_DATA": str(tmp_path),
        "DJANGO_SETTINGS_MODULE": "competence.settings",
    }
    asked = (
        "from django.conf import settings as s; print(s.SESSION_COOKIE_NAME, s.CSRF_COOKIE_NAME, "
        "s.THEME_COOKIE_NAME, s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE, s.SESSION_COOKIE_DOMAIN, "
        "s.SECURE_HSTS_SECONDS >= 31536000, s.SECURE_HSTS_INCLUDE_SUBDOMAINS, s.DEBUG)"
    )
    said = subprocess.run(
        [sys.executable, "-c", asked],
        env={**os.environ, **stated},
        cwd=HERE,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert said[:3] == ["__Host-sessionid", "__Host-csrftoken", "__Host-theme"]
    assert said[3:] == ["True", "True", "None", "True", "True", "False"]


def test_the_phone_reads_the_token_under_either_name():
    script = (HERE / "competence/static/competence/phone_shelf.js").read_text()
    assert "/^(__Host-)?csrftoken=/" in script


@pytest.mark.parametrize("onwards", ["a b", "nowhere", "admin", "\x00", "a\r\nX: y", "//elsewhere.example/"])
def test_where_to_go_next_is_an_address_and_never_an_error(client, onwards):
    """3.7.2; found by the fuzz: a word that is no address was looked for among the doors."""
    answer = client.post(reverse("theme"), {"theme": "dark", "next": onwards})
    assert answer.status_code == 302
    assert "elsewhere" not in answer["Location"]
    assert "\n" not in answer["Location"]


def test_signing_in_and_out_and_failing_to_leave_a_line_each_and_no_name(client, caplog):
    """16.3.1, 16.2.5"""
    account = AccountFactory(password=PASSWORD, roles=["auditor"])
    caplog.set_level("INFO", logger="register.sign_in")
    client.post("/sign-in/", {"username": account.username, "password": "not the right one"})
    client.post("/sign-in/", {"username": account.username, "password": PASSWORD})
    client.post(reverse("sign-out"))
    lines = [record for record in caplog.records if record.name == "register.sign_in"]
    assert [line.getMessage().split(":")[0] for line in lines] == ["not signed in", "signed in", "signed out"]
    assert [getattr(line, "account", None) for line in lines] == [None, account.pk, account.pk]
    assert account.username not in caplog.text
