"""A yard for the daily check's tests: one machine, its standard and list, and who is about."""

import io
from dataclasses import dataclass

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from competence.models import Account, ChecklistVersion, DailyCheck, ListedPoint, Machine, Operator
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    ChecklistVersionFactory,
    DailyCheckFactory,
    MachineFactory,
    OperatorFactory,
    PointFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)


@dataclass
class Yard:
    machine: Machine
    checklist: ChecklistVersion
    operator: Operator
    account: Account

    @property
    def listed(self) -> list[ListedPoint]:
        return list(self.checklist.listed.select_related("point").order_by("position"))

    def draft(self, **fields) -> DailyCheck:
        return DailyCheckFactory(
            machine=self.machine, operator=self.operator, checklist=self.checklist, **fields
        )


def a_yard() -> Yard:
    """Six points in three zones, the first critical; an authorised operator with an account."""
    category = CategoryFactory(name="Articulated dumper")
    site = SiteFactory(name="Brackenfell Quarry")
    machine = MachineFactory(fleet_number="DT-014", site=site, category=category)
    plain_standard(category)
    points = [
        PointFactory(title=title, is_critical=title == "Wheel nuts")
        for title in ("Wheel nuts", "Leaks", "Engine oil", "Coolant", "Seat belt", "Horn")
    ]
    checklist = ChecklistVersionFactory(category=category, points=points)
    operator = authorised_operator(
        machine,
        operator=OperatorFactory(number="OP100", given_name="Carys", family_name="Bellamy", site=site),
    )
    return Yard(machine, checklist, operator, AccountFactory(username="carys", operator=operator))


def a_trainee(yard: Yard) -> Account:
    trainee = authorised_operator(
        yard.machine, level="trainee", operator=OperatorFactory(number="OP200", site=yard.machine.site)
    )
    return AccountFactory(username="femi", operator=trainee)


def signed_in(account: Account) -> Client:
    client = Client()
    client.force_login(account)
    return client


def a_photograph(kind: str = "JPEG", size: tuple[int, int] = (400, 300)) -> SimpleUploadedFile:
    file = io.BytesIO()
    Image.effect_noise(size, 60).convert("RGB").save(file, kind)
    return SimpleUploadedFile("defect.jpg", file.getvalue(), content_type="image/jpeg")
