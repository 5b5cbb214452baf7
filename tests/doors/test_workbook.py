"""Taking a workbook out: on screen and from a terminal."""

import json
from datetime import datetime, timedelta
from io import BytesIO, StringIO
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone
from python_calamine import load_workbook

from competence.models import JournalEntry, Look, Site
from competence.outputs.workbook_files import clear_old, file_of
from competence.views import workbook as view
from tests.doors.check_yard import signed_in
from tests.factories import AccountFactory, OperatorFactory, SiteFactory, TicketFactory
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, settings) -> Path:
    settings.WORKBOOKS_ROOT = tmp_path / "workbooks"
    return settings.WORKBOOKS_ROOT


@pytest.fixture
def site() -> Site:
    """A site with one person and their ticket; another stands elsewhere."""
    site = SiteFactory(code="HUSH", name="Hush Pit", zone="Europe/London")
    TicketFactory(number="T-1", operator=OperatorFactory(number="OP-1", site=site))
    TicketFactory(number="T-2", operator=OperatorFactory(number="OP-2"))
    return site


@pytest.fixture
def auditor(site: Site):
    return AccountFactory(username="ida", roles=[("auditor", site)])


def sheet(answer, title: str) -> list[list]:
    return load_workbook(BytesIO(b"".join(answer.streaming_content))).get_sheet_by_name(title).to_python()[1:]


def test_the_page_counts_what_the_account_may_take_out(auditor) -> None:
    page = signed_in(auditor).get(reverse("workbook"))
    assert dict(page.context["counts"]) | {"Operators": "1", "Tickets": "1"} == dict(page.context["counts"])


def test_what_is_taken_out_is_written_down_first(auditor, site) -> None:
    asked = {"first": days_ago(5).isoformat()}
    counting = signed_in(auditor).post(reverse("workbook"), {**asked, "do": "count"})
    assert counting.url == f"{reverse('workbook')}?first={asked['first']}"
    assert not Look.objects.exists()
    answer = signed_in(auditor).post(reverse("workbook"), asked)
    assert answer["Content-Disposition"].startswith('attachment; filename="register-')
    assert [row[0] for row in sheet(answer, "Operators")] == ["OP-1"]
    look = Look.objects.get(kind=Look.Kind.WORKBOOK)
    assert (look.by, look.site, look.asked["sites"]) == (auditor, site, [site.pk])
    assert look.asked["first"] == days_ago(5).isoformat()
    assert JournalEntry.objects.get(action="record.looked_at").rows.get().key == str(look.pk)


def test_the_checkpoint_of_a_workbook_covers_the_note_that_it_was_taken(auditor) -> None:
    front = sheet(signed_in(auditor).post(reverse("workbook"), {}), "Front sheet")
    says = {row[0]: row[1] for row in front}
    assert says["Entries signed"] == JournalEntry.objects.count() > 0
    assert says["Entries not sealed yet"] == 0
    assert says["Taken out by"] == f"{auditor.name} (ida)"


def test_a_long_one_is_written_in_the_background_and_kept_for_a_day(auditor, monkeypatch) -> None:
    monkeypatch.setattr(view, "ROWS_AT_ONCE", 0)
    client = signed_in(auditor)
    answer = client.post(reverse("workbook"), {}, follow=True)
    look = Look.objects.get()
    assert answer.redirect_chain[-1][0] == reverse("workbook-made", args=[look.pk])
    assert "Ready" in answer.content.decode()
    assert [row[0] for row in sheet(client.get(reverse("workbook-file", args=[look.pk])), "Tickets")] == [
        "T-1"
    ]
    assert reverse("workbook-made", args=[look.pk]) in client.get(reverse("workbook")).content.decode()
    # One's own is one taking out, however often it is downloaded.
    assert Look.objects.count() == 1
    clear_old(timezone.now() + timedelta(hours=23))
    assert file_of(look).exists()
    clear_old(timezone.now() + timedelta(hours=25))
    assert not file_of(look).exists()
    assert client.get(reverse("workbook-file", args=[look.pk])).status_code == 404
    with time_machine.travel(timezone.now() + timedelta(hours=25)):
        page = signed_in(auditor).get(reverse("workbook-made", args=[look.pk])).content.decode()
    assert "Deleted" in page


def test_who_downloads_what_another_asked_for_takes_it_out_too(auditor, site, monkeypatch) -> None:
    monkeypatch.setattr(view, "ROWS_AT_ONCE", 0)
    signed_in(auditor).post(reverse("workbook"), {})
    look, admin = Look.objects.get(), AccountFactory(roles=[("site_admin", site)])
    assert signed_in(admin).get(reverse("workbook-file", args=[look.pk])).status_code == 200
    assert Look.objects.filter(kind=Look.Kind.WORKBOOK, by=admin).count() == 1


def test_one_that_was_never_written_says_so(auditor, site) -> None:
    signed_in(auditor).post(reverse("workbook"), {})
    look = Look.objects.get()
    file_of(look).unlink()
    client = signed_in(auditor)
    assert "Being written" in client.get(reverse("workbook-made", args=[look.pk])).content.decode()
    with time_machine.travel(timezone.now() + timedelta(minutes=5)):
        page = signed_in(auditor).get(reverse("workbook-made", args=[look.pk])).content.decode()
    assert "could not be written" in page


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"at": "1999-01-01T00:00"}, "The register can answer since"),
        ({"known_at": "1999-01-01T00:00"}, "it knew nothing before"),
        ({"at": "2999-01-01T00:00"}, "A workbook tells what was"),
        ({"known_at": "2999-01-01T00:00"}, "Nobody knows yet"),
        ({"at": "yesterday"}, "is not a moment"),
        ({"first": "2026-02-01", "last": "2026-01-01"}, "The last day is before the first"),
        ({"sites": ["ELSEWHERE"]}, "Select a valid choice"),
    ],
)
def test_what_cannot_be_answered_is_said_and_nothing_is_taken_out(auditor, typed, said) -> None:
    for method in ("get", "post"):
        assert said in getattr(signed_in(auditor), method)(reverse("workbook"), typed).content.decode()
    assert not Look.objects.exists()


def test_nobody_takes_another_site_out(auditor) -> None:
    other = SiteFactory(code="OTHER")
    page = signed_in(auditor).post(reverse("workbook"), {"sites": [other.code]})
    assert "Select a valid choice" in page.content.decode()
    with pytest.raises(CommandError, match="may take nothing of") as refused:
        run("out.xlsx", "--by", "ida", "--site", "other")
    assert refused.value.returncode == 2


def run(*words: str) -> tuple[str, str]:
    out, told = StringIO(), StringIO()
    call_command("workbook", *words, stdout=out, stderr=told)
    return out.getvalue(), told.getvalue()


def test_the_command_writes_a_file_and_says_what_is_in_it(auditor, site, tmp_path: Path) -> None:
    path = tmp_path / "out.xlsx"
    said, told = run(
        str(path), "--by", "IDA", "--site", "hush", "--from", days_ago(900).isoformat(), "--json"
    )
    answer = json.loads(said)
    assert "Tickets" in told
    assert (answer["sheets"]["Tickets"], answer["size"]) == (1, path.stat().st_size)
    assert answer["asked"]["sites"] == [site.pk]
    assert answer["checkpoint"]["size"] == JournalEntry.objects.count()
    look = Look.objects.get()
    assert look.by == auditor
    # The file is wherever it was written to, so the screen offers none.
    client = signed_in(auditor)
    assert client.get(reverse("workbook-made", args=[look.pk])).status_code == 404
    assert client.get(reverse("workbook")).context["looks"] == []
    assert [file.name for file in tmp_path.iterdir()] == ["out.xlsx"]


def test_moments_of_the_command_are_on_the_clock_of_its_sites(auditor, tmp_path: Path) -> None:
    local = (timezone.now() - timedelta(days=20)).astimezone(ZoneInfo("Europe/London")).replace(microsecond=0)
    typed = local.replace(tzinfo=None, hour=12).isoformat()
    said, _ = run(str(tmp_path / "out.xlsx"), "--by", "ida", "--as-of", typed, "--json")
    at = datetime.fromisoformat(json.loads(said)["asked"]["at"])
    assert at == local.replace(hour=12)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "Say where to write it"),
        (("out.xlsx",), "who takes it out"),
        (("out.xlsx", "--by", "nobody"), "Nobody signs in as nobody"),
        (("out.xlsx", "--by", "op"), "needs the role"),
        (("out.ods", "--by", "ida"), "does not end in .xlsx"),
        (("nowhere/out.xlsx", "--by", "ida"), "There is no folder"),
        (("out.xlsx", "--by", "ida", "--site", "NONE"), "There is no site NONE"),
        (("out.xlsx", "--by", "ida", "--employer", "None"), "There is no employer None"),
        (("out.xlsx", "--by", "ida", "--category", "none"), "There is no category none"),
        (("out.xlsx", "--by", "ida", "--as-of", "1999-01-01"), "The register can answer since"),
        (("out.xlsx", "--by", "ida", "--known-at", "1999-01-01"), "it knew nothing before"),
        (("out.xlsx", "--by", "ida", "--as-of", "soon"), "is not a moment"),
        (("out.xlsx", "--by", "ida", "--from", "soon"), "is not a day"),
    ],
)
def test_the_command_says_what_it_did_not_understand(
    auditor, site, tmp_path: Path, monkeypatch, words, said
) -> None:
    monkeypatch.chdir(tmp_path)
    AccountFactory(username="op", roles=["operator"])
    with pytest.raises(CommandError, match=said) as refused:
        run(*words)
    assert refused.value.returncode == 2
    assert not Look.objects.exists()
    assert not list(tmp_path.iterdir())


def test_an_empty_register_has_nothing_to_take_out(tmp_path: Path) -> None:
    AccountFactory(username="ida", roles=["auditor"])
    with pytest.raises(CommandError, match="The register is empty"):
        run(str(tmp_path / "out.xlsx"), "--by", "ida")


def test_the_page_takes_as_many_statements_for_many_as_for_one(
    auditor, site, django_assert_max_num_queries
) -> None:
    for _ in range(3):
        TicketFactory(operator=OperatorFactory(site=site))
    client = signed_in(auditor)
    with django_assert_max_num_queries(30):
        assert client.get(reverse("workbook")).status_code == 200
