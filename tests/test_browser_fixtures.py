"""The browser fixtures themselves: that a session is given, and that axe finds what it should."""

import pytest

from tests.factories import AccountFactory

UNREADABLE = (
    "<html><head></head><body><img src='/x.png'><p style='color:#999;background:#fff'>faint</p></body></html>"
)


def test_an_inaccessible_page_is_found_out(desk_page, check_access):
    desk_page.set_content(UNREADABLE)
    with pytest.raises(AssertionError, match="image-alt"):
        check_access(desk_page)


def test_a_session_is_given_to_the_browser(phone_page, sign_in, live_server):
    account = AccountFactory()
    sign_in(phone_page, account)
    assert [cookie["name"] for cookie in phone_page.context.cookies(live_server.url)] == ["sessionid"]
