"""What every test may ask for: the hypothesis profiles, and real browsers over a live register."""

import os
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

# Playwright's sync interface keeps an event loop in the test's thread, where Django refuses the database.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

IN_CI = os.environ.get("REGISTER_CI") == "1"
CHROMIUM = Path(os.environ.get("REGISTER_CHROMIUM", "/usr/bin/chromium"))
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE = {
    "viewport": {"width": 360, "height": 780},
    "device_scale_factor": 2,
    "has_touch": True,
    "is_mobile": True,
}
DESK = {"viewport": {"width": 1280, "height": 900}}
BROWSER_FIXTURES = {"chromium", "open_page", "phone_page", "desk_page"}

# Everyday runs look at fewer cases, but at new ones each time; CI at more, and always at the same.
hypothesis_settings.register_profile(
    "dev", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.register_profile(
    "ci", max_examples=100, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
hypothesis_settings.load_profile("ci" if IN_CI else "dev")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what drives a browser, so that -m "not browser" leaves it out."""
    for item in items:
        if BROWSER_FIXTURES & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    """Tables made from the models are where the migrations lead, and the database says so.

    What it says outlasts the emptying of the tables, since it belongs to no model.
    """
    with django_db_blocker.unblock():
        recorder = MigrationRecorder(connection)
        recorder.ensure_schema()
        known = recorder.applied_migrations()
        for app, name in MigrationLoader(connection).disk_migrations.keys() - known.keys():
            recorder.record_applied(app, name)


@pytest.fixture(scope="session")
def photograph_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Names of folders that nobody has made yet: few tests keep a photograph."""
    folder = tmp_path_factory.mktemp("photographs")
    return (folder / str(number) for number in count())


@pytest.fixture(autouse=True)
def photographs(photograph_folders: Iterator[Path], settings: Any) -> Path:
    """Each test keeps its photographs apart."""
    settings.MEDIA_ROOT = next(photograph_folders)
    return settings.MEDIA_ROOT


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser per worker. Without one, tests are skipped and say so; CI fails instead."""
    from playwright.sync_api import sync_playwright

    if not CHROMIUM.exists():
        missing = f"no browser at {CHROMIUM}: install Debian's chromium, or set REGISTER_CHROMIUM"
        if IN_CI:
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=CHROMIUM_ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Any, live_server: Any) -> Iterator[Callable[..., Any]]:
    """Open a page in a context of its own: ``open_page(PHONE)``; one call per person in a journey.

    An error of a page's own script fails the test at its end.
    """
    contexts, pages = [], []

    def open_one(device: dict[str, Any] = DESK, **more: Any) -> Any:
        context = chromium.new_context(base_url=live_server.url, locale="en-GB", **device, **more)
        context.set_default_timeout(10_000)
        contexts.append(context)
        page = context.new_page()
        # A test that means a script to fail clears this list.
        page.script_errors = []
        page.on("pageerror", lambda error: page.script_errors.append(str(error)))
        pages.append(page)
        return page

    yield open_one
    for context in contexts:
        context.close()
    script_errors = [error for page in pages for error in page.script_errors]
    assert not script_errors, f"errors in the page's script: {script_errors}"


@pytest.fixture
def phone_page(open_page: Callable[..., Any]) -> Any:
    """A phone held upright, by touch: 360 by 780."""
    return open_page(PHONE)


@pytest.fixture
def desk_page(open_page: Callable[..., Any]) -> Any:
    """An office screen: 1280 by 900."""
    return open_page(DESK)


@pytest.fixture
def sign_in(live_server: Any) -> Callable[[Any, Any], None]:
    """``sign_in(page, account)``: give the page's browser that account's session, without the form."""
    from django.test import Client

    def give_session(page: Any, account: Any) -> None:
        client = Client()
        client.force_login(account)
        page.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
        page.context.add_cookies(
            [
                {
                    "name": settings.SESSION_COOKIE_NAME,
                    "value": client.cookies[settings.SESSION_COOKIE_NAME].value,
                    "url": live_server.url,
                }
            ]
        )

    return give_session


@pytest.fixture
def check_access() -> Callable[..., None]:
    """``check_access(page)``: fail on any breach of WCAG 2 A or AA that axe-core finds on the page."""
    from axe_playwright_python.sync_playwright import Axe

    def check(page: Any, *, leave_out: tuple[str, ...] = ()) -> None:
        levels = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
        options = {
            "runOnly": {"type": "tag", "values": levels},
            "rules": {rule: {"enabled": False} for rule in leave_out},
            "resultTypes": ["violations"],
        }
        breaches = Axe().run(page, options=options).response["violations"]
        told = [
            f"{breach['id']} ({breach['impact']}): {breach['help']}: "
            + "; ".join(str(node["target"][0]) for node in breach["nodes"][:5])
            for breach in breaches
        ]
        assert not told, f"{page.url} keeps people out:\n" + "\n".join(told)

    return check
