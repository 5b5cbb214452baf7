"""Taking an evidence pack out: on screen and from a terminal."""

from datetime import timedelta
from io import BytesIO, StringIO

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from competence.models import Look
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    MachineFactory,
    OperatorFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def machine():
    made = MachineFactory(site=SiteFactory(name="Hush Pit", zone="Europe/London"))
    plain_standard(category=made.state.category)
    return made


@pytest.fixture
def driver(machine):
    return authorised_operator(machine)


@pytest.fixture
def auditor(machine):
    return AccountFactory(username="ida", roles=[("auditor", machine.site)])


def test_the_page_says_what_would_be_in_it_and_nothing_is_noted_yet(auditor, driver) -> None:
    page = signed_in(auditor).get(reverse("evidence-pack"), {"operator": driver.number, "at": ""})
    assert dict(page.context["counts"])["Tickets"] == 1
    assert not Look.objects.exists()


def test_taking_it_out_hands_over_the_document_and_is_noted(auditor, driver, machine) -> None:
    at = (timezone.now() - timedelta(days=1)).isoformat()
    asked = {"operator": driver.number, "machine": machine.fleet_number, "at": at}
    answer = signed_in(auditor).post(reverse("evidence-pack"), asked)
    assert answer["Content-Type"] == "application/pdf"
    assert driver.number in PdfReader(BytesIO(answer.content)).pages[0].extract_text()
    look = Look.objects.get(kind=Look.Kind.PACK)
    assert (look.by, look.operator, look.machine, look.site) == (auditor, driver, machine, machine.site)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("operator", "NOBODY"),
        ("machine", "NONE"),
        ("at", ""),
        ("at", "yesterday"),
        ("at", "9998-01-01T00:00"),
        ("known_at", "soon"),
    ],
)
def test_what_is_not_understood_is_told_beside_its_field(auditor, driver, machine, field, value) -> None:
    asked = {"operator": driver.number, "machine": machine.fleet_number, "at": "2026-03-05T06:30"}
    answer = signed_in(auditor).post(reverse("evidence-pack"), asked | {field: value})
    assert list(answer.context["form"].errors) == [field]
    assert not Look.objects.exists()


def test_nothing_of_another_site_is_taken_out(auditor, driver, machine) -> None:
    client, stranger = signed_in(auditor), OperatorFactory(site=SiteFactory(name="Far Quarry"))
    answer = client.post(reverse("evidence-pack"), {"operator": stranger.number})
    assert "not your site" in str(answer.context["form"].errors["operator"])
    elsewhere = {
        "operator": driver.number,
        "machine": MachineFactory().fleet_number,
        "at": "2026-03-05T06:30",
    }
    answer = client.post(reverse("evidence-pack"), elsewhere)
    assert "not your site" in str(answer.context["form"].errors["machine"])
    here = {"operator": stranger.number, "machine": machine.fleet_number, "at": "2026-03-05T06:30"}
    assert "which is not your site: tickets" in client.get(reverse("evidence-pack"), here).content.decode()


def test_the_record_and_the_operator_lead_to_the_pack(auditor, driver, machine) -> None:
    client, at = signed_in(auditor), "2026-03-05T06:30"
    asked = {"operator": driver.number, "machine": machine.fleet_number, "at": at}
    assert f"{reverse('evidence-pack')}?operator=" in client.get(reverse("record"), asked).content.decode()
    page = client.get(reverse("operator", args=[driver.number])).content.decode()
    assert f"{reverse('evidence-pack')}?operator={driver.number}" in page


def test_the_command_writes_it(tmp_path, auditor, driver, machine) -> None:
    out, told = tmp_path / "pack.pdf", StringIO()
    asked = ["--operator", driver.number, "--machine", machine.fleet_number, "--at", "2026-03-05T06:30"]
    call_command("evidence_pack", str(out), *asked, "--by", "ida", stdout=told)
    assert "5 March 2026, 06:30" in PdfReader(out).pages[0].extract_text()
    assert Look.objects.get().by == auditor


@pytest.mark.parametrize(
    "wrong",
    [
        {"--operator": "NOBODY"},
        {"--by": "nobody"},
        {"--by": "trainer"},
        {"--machine": "NONE"},
        {"--at": "yesterday"},
        {"out": "pack.txt"},
    ],
)
def test_the_command_ends_with_2_for_what_it_does_not_understand(
    tmp_path, auditor, driver, machine, wrong
) -> None:
    AccountFactory(username="trainer", roles=["trainer"])
    said = {"--operator": driver.number, "--machine": machine.fleet_number, "--at": "2026-03-05T06:30"}
    said |= {"--by": "ida", **wrong}
    out = tmp_path / said.pop("out", "pack.pdf")
    with pytest.raises(CommandError) as refused:
        call_command("evidence_pack", str(out), *(word for pair in said.items() for word in pair))
    assert refused.value.returncode == 2
    assert not out.exists()
    assert not Look.objects.exists()
