"""The browser fixtures themselves, on the one page that everybody meets: signing in."""

import pytest

from tests.factories import PASSWORD, AccountFactory, OperatorFactory

UNREADABLE = "<html><body><img src='/x.png'><p style='color:#999;background:#fff'>faint</p></body></html>"


def test_an_inaccessible_page_is_found_out(desk_page, check_access):
    desk_page.set_content(UNREADABLE)
    with pytest.raises(AssertionError, match="image-alt"):
        check_access(desk_page)


def test_an_error_in_a_page_s_script_is_heard(open_page):
    page = open_page()
    heard = []
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.set_content("<button onclick='undefinedName()'>Press</button>")
    page.get_by_role("button").click()
    assert heard == ["undefinedName is not defined"]
    page.script_errors.clear()


def test_signing_in_by_the_form_and_by_the_given_session_lead_to_the_same_page(
    phone_page, desk_page, sign_in, check_access
):
    account = AccountFactory(operator=OperatorFactory())
    phone_page.goto("/")
    check_access(phone_page)
    phone_page.get_by_label("Username").fill(account.username)
    phone_page.get_by_label("Password").fill(PASSWORD)
    phone_page.get_by_role("button", name="Sign in").tap()
    # The page that is left is loaded already, so only the next address says that it was left.
    phone_page.wait_for_url(lambda url: "sign-in" not in url)
    sign_in(desk_page, account)
    desk_page.goto("/")
    assert "sign-in" not in desk_page.url
    assert phone_page.url == desk_page.url
