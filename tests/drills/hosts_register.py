"""The register that the drill of several hosts works on: its own people, machines and history."""

from dataclasses import dataclass
from datetime import timedelta

from django.utils import timezone
from django_otp.plugins.otp_totp.models import TOTPDevice

from competence.actions.journal import seal
from competence.models import Evidence, ListedPoint, Machine, Operator
from tests.actions.journalled_register import write_journal
from tests.factories import (
    PASSWORD,
    AccountFactory,
    CategoryFactory,
    ChecklistVersionFactory,
    EmployerFactory,
    MachineFactory,
    OperatorFactory,
    PointFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)

# More rows than a workbook is written of while somebody waits (3,000), and an import is (1,000).
PIECES_OF_EVIDENCE, LINES_OF_SPREADSHEET = 3200, 1200
SECRET = "3132333435363738393031323334353637383930"


@dataclass
class Crew:
    """One operator who checks one machine."""

    username: str
    machine: Machine
    operator: Operator
    listed: list[ListedPoint]
    hours: int = 1000


@dataclass
class Register:
    crews: list[Crew]
    site_code: str
    password: str = PASSWORD


def fill(crew_count: int, *, is_long: bool) -> Register:
    """Operators ``op-0`` on; ``trainer`` and ``other`` with a second factor set; ``admin`` of every site;
    ``auditor``. ``is_long``: with as much history as makes a long workbook."""
    category = CategoryFactory(code="dumper", name="Dumper")
    site = SiteFactory(code="NORTH", name="North Quarry")
    employer = EmployerFactory(name="Invented Plant")
    plain_standard(category=category)
    points = [PointFactory(title=title) for title in ("Wheel nuts", "Leaks", "Horn")]
    checklist = ChecklistVersionFactory(category=category, points=points)
    listed = list(checklist.listed.order_by("position"))
    crews = []
    for number in range(crew_count):
        machine = MachineFactory(fleet_number=f"DT-{number:03}", site=site, category=category)
        person = OperatorFactory(number=f"OP{number}", site=site, employer=employer)
        ends = timezone.now().date() + timedelta(days=25 + number)
        operator = authorised_operator(machine, operator=person, last_day=ends)
        AccountFactory(username=f"op-{number}", operator=operator, email=f"op-{number}@register.example")
        crews.append(Crew(f"op-{number}", machine, operator, listed))
    for name, roles in {
        "trainer": ["trainer"],
        "admin": ["site_admin", "trainer"],
        "other": ["trainer"],
    }.items():
        account = AccountFactory(username=name, roles=roles, email=f"{name}@register.example")
        TOTPDevice.objects.create(user=account, confirmed=True, name="phone", key=SECRET, tolerance=0)
    AccountFactory(username="auditor", roles=["auditor"])
    if is_long:
        _add_evidence(crews[0].operator)
    write_journal()
    seal()
    return Register(crews, site.code)


def _add_evidence(operator: Operator) -> None:
    one = operator.evidence.order_by("pk").first()
    columns = {
        f.attname: getattr(one, f.attname) for f in Evidence._meta.concrete_fields if not f.primary_key
    }
    Evidence.objects.bulk_create([Evidence(**columns) for _ in range(PIECES_OF_EVIDENCE)])


def spreadsheet() -> bytes:
    """A list as a firm kept it before."""
    today = timezone.now().date()
    first, issued, ends = (today + timedelta(days=days) for days in (-700, -100, 500))
    lines = ["Op no,Name,Company,Site,Start date,Machine,Level,Issued,Expires"]
    lines += [
        f"B{n},Ada Ash{n},Invented Plant,North Quarry,{first},Dumper,Full,{issued},{ends}"
        for n in range(LINES_OF_SPREADSHEET)
    ]
    # One that is doubtful, so that there is something to give back.
    lines.append(lines[-1].replace("B1199,", "B9999,").replace("Dumper", "Thingummy"))
    return "\n".join(lines).encode()
