"""Every door x every role x own and other site. A door without a row fails."""

import pkgutil
from collections.abc import Iterator
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import pytest
from django.conf import settings
from django.db import transaction
from django.http import HttpResponse
from django.test import Client, override_settings
from django.urls import URLPattern, get_resolver, reverse

import tests.doors
from competence.models import Account
from tests.doors.matrix import Row
from tests.doors.world import STAFF_ROLES, make_world

ROWS: list[Row] = [
    row
    for module in pkgutil.iter_modules(tests.doors.__path__)
    if module.name.startswith("rows_")
    for row in import_module(f"tests.doors.{module.name}").ROWS
]


def door_names(resolver: object, prefix: str = "") -> Iterator[str]:
    for door in resolver.url_patterns:
        if isinstance(door, URLPattern):
            yield f"{prefix}{door.name}"
        else:
            yield from door_names(door, f"{prefix}{door.namespace}:" if door.namespace else prefix)


def test_every_door_has_a_row() -> None:
    without = set(door_names(get_resolver())) - {row.name for row in ROWS}
    assert not without, f"doors without a row in the permission matrix: {sorted(without)}"


def test_no_row_is_for_a_door_that_is_gone() -> None:
    assert {row.name for row in ROWS} <= set(door_names(get_resolver()))


@pytest.fixture(scope="module")
def world(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[SimpleNamespace]:
    """Made once, since every knock is taken back, and taken back itself at the end."""
    folder = tmp_path_factory.mktemp("photographs")
    with django_db_blocker.unblock():
        undone = transaction.atomic()
        undone.__enter__()
        with override_settings(MEDIA_ROOT=folder):
            world = make_world()
            world.visitors = {name: session_of(account) for name, account in visitors(world)}
    world.photographs = folder
    yield world
    with django_db_blocker.unblock():
        transaction.set_rollback(True)
        undone.__exit__(None, None, None)


@pytest.mark.django_db
@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.name}-{row.method}")
def test_a_door_opens_for_whom_it_should_and_nobody_else(row: Row, world: SimpleNamespace) -> None:
    expected = {name: may_open(row, name) for name in world.visitors}
    with override_settings(MEDIA_ROOT=world.photographs):
        found = {name: knock(row, world, session) for name, session in world.visitors.items()}
    assert found == expected


def visitors(world: SimpleNamespace) -> Iterator[tuple[str, Account | None]]:
    yield "nobody", None
    yield "operator", world.operator_account
    yield "other operator", world.other_operator_account
    for role in STAFF_ROLES:
        yield role, getattr(world, role)
        yield f"other {role}", getattr(world, f"other_{role}")
        yield f"everywhere {role}", getattr(world, f"everywhere_{role}")


def session_of(account: Account | None) -> str | None:
    """The key of a session in which the account is signed in; every knock of theirs uses it."""
    if account is None:
        return None
    client = Client()
    client.force_login(account)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def may_open(row: Row, visitor: str) -> bool:
    if row.is_public:
        return True
    where, _, role = visitor.rpartition(" ")
    if role not in row.allowed:
        return False
    if role == "operator":
        return where == "" or not (row.owner_only or row.own_site_only)
    if row.assessor_only:
        return where == ""
    if row.everywhere_only:
        return where == "everywhere"
    return where != "other" or not row.own_site_only


def knock(row: Row, world: SimpleNamespace, session: str | None) -> bool:
    """Whether the door opens; whatever happens behind it is taken back."""
    client = Client()
    if session is not None:
        client.cookies[settings.SESSION_COOKIE_NAME] = session
    with transaction.atomic():
        answer: HttpResponse = getattr(client, row.method)(
            reverse(row.name, kwargs=row.kwargs(world)), row.data(world)
        )
        transaction.set_rollback(True)
    assert answer.status_code < 500
    to_sign_in = answer.status_code == 302 and answer["Location"].startswith("/sign-in/?next=")
    return answer.status_code not in (403, 404, 405) and not to_sign_in
