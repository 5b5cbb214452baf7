"""A small register for the crash drill, written by a process of its own: ``python -m tests.drills.crash_seed
PLAN PHONES``. The plan says, as JSON, who is signed in on which phone and at what they work.

Everything that was made is journalled in one entry, so that ``journal verify`` afterwards judges the drill.
"""

import json
import os
import sys
from pathlib import Path
from typing import Any

import django

POINTS = 6


def seed(phones: int) -> dict[str, Any]:
    """``phones``: of each of the three kinds of work."""
    from django.db import transaction

    from competence.actions.journal import record, seal
    from competence.queries.journal_rows import journalled_models

    with transaction.atomic():
        ground = _ground()
        plan = {
            "checks": [_checks(ground, number) for number in range(phones)],
            "marks": [_marks(ground, number) for number in range(phones)],
            "answers": [_answers(ground, number) for number in range(phones)],
        }
        rows = [row for model in journalled_models() for row in model.objects.all()]
        record(by=None, action="register.set_up", rows=rows)
    seal()
    return plan


def _ground() -> dict[str, Any]:
    from tests.factories import CategoryFactory, ChecklistVersionFactory, SiteFactory, plain_standard
    from tests.factories.questions import QuestionFactory, QuestionVersionFactory, TopicFactory

    category = CategoryFactory(code="drill", name="Drill dumper")
    plain_standard(category)
    for topic in (TopicFactory(code=f"drill-{number}") for number in range(3)):
        for number in range(6):
            QuestionVersionFactory(question=QuestionFactory(topic=topic, code=f"{topic.code}-{number}"))
    checklist = ChecklistVersionFactory(category=category, points=POINTS)
    return {"category": category, "checklist": checklist, "site": SiteFactory()}


def _machine(ground: dict[str, Any], name: str) -> Any:
    from tests.factories import MachineFactory

    return MachineFactory(fleet_number=name, site=ground["site"], category=ground["category"])


def _listed(ground: dict[str, Any]) -> list[int]:
    return list(ground["checklist"].listed.order_by("position").values_list("pk", flat=True))


def _checks(ground: dict[str, Any], number: int) -> dict[str, Any]:
    from tests.factories import AccountFactory, authorised_operator

    machine = _machine(ground, f"CHECKED-{number}")
    account = AccountFactory(operator=authorised_operator(machine))
    return {"session": _signed_in(account), "machine": machine.fleet_number, "listed": _listed(ground)}


def _marks(ground: dict[str, Any], number: int) -> dict[str, Any]:
    from tests.factories import AccountFactory, AppointmentFactory, OperatorFactory

    machine = _machine(ground, f"MARKED-{number}")
    assessor = AccountFactory(roles=["trainer"])
    AppointmentFactory(account=assessor, category=ground["category"])
    operator = OperatorFactory(site=ground["site"])
    return {
        "session": _signed_in(assessor),
        "machine": machine.fleet_number,
        "operator": operator.number,
        "listed": _listed(ground),
    }


def _answers(ground: dict[str, Any], number: int) -> dict[str, Any]:
    from tests.factories import AccountFactory, authorised_operator

    operator = authorised_operator(_machine(ground, f"ASKED-{number}"))
    return {"session": _signed_in(AccountFactory(operator=operator))}


def _signed_in(account: Any) -> str:
    """The key of a session of that account, as signing in makes it."""
    from django.conf import settings
    from django.test import Client

    client = Client()
    client.force_login(account)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


if __name__ == "__main__":
    os.environ["DJANGO_SETTINGS_MODULE"] = "competence.settings"
    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    Path(sys.argv[1]).write_text(json.dumps(seed(int(sys.argv[2]))))
