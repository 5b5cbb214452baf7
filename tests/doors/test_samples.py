"""Samples on screen, on paper and from a terminal."""

import hashlib
import json
from datetime import timedelta
from io import BytesIO, StringIO

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from competence.models import JournalEntry, Look, Sample, SampleResult, SampleVerdict
from tests.doors.check_yard import signed_in
from tests.factories import AccountFactory, OperatorFactory, SiteFactory, TicketFactory

NEW = {"of": "tickets", "rate": "25", "confidence": "95", "basis": "0", "seed": "4711"}
JSON = {"HTTP_ACCEPT": "application/json"}


@pytest.fixture
def site(db):
    return SiteFactory(name="Bell Pit", zone="UTC")


@pytest.fixture
def tickets(site):
    named = OperatorFactory(site=site, given_name="=1+1", family_name="Marsh")
    return [TicketFactory(operator=named), *(TicketFactory(operator__site=site) for _ in range(11))]


@pytest.fixture
def auditor(db):
    return AccountFactory(roles=["auditor"], first_name="Ada", last_name="Fenn")


@pytest.fixture
def sample(tickets, auditor):
    ask(auditor, draw="yes")
    return Sample.objects.get()


def ask(account, **more):
    return signed_in(account).post(reverse("sample-new"), {**NEW, **more}, follow=True)


def press(account, sample, **data):
    return signed_in(account).post(reverse("sample-verdict", args=[sample.pk]), data, follow=True)


def page_of(account, sample, **query):
    return signed_in(account).get(reverse("sample", args=[sample.pk]), query)


def test_the_size_is_shown_before_anything_is_drawn(tickets, auditor):
    page = ask(auditor, show="yes").content.decode()
    assert "7 of the 12 tickets in force are drawn and looked at." in page
    assert "fewer than 25 % of the 12 have a fault, that is, fewer than 3." in page
    assert not Sample.objects.exists()


def test_a_draw_leads_to_its_sheet_with_a_way_to_every_record(sample, auditor):
    page = page_of(auditor, sample)
    text = page.content.decode()
    for item in sample.items.all():
        assert reverse("ticket", args=[item.key]) in text
    assert "4711|KEY" in text
    assert "No record has a verdict yet" in text
    listed = signed_in(auditor).get(reverse("sample-list")).content.decode()
    assert "0 of 7 have a verdict" in listed
    assert "Fewer than 25 %, with no fault allowed; 95 % confidence" in listed


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ({"of": "checks"}, "give both"),
        ({"of": "checks", "first_day": "2026-03-02", "last_day": "2026-03-01"}, "before the first day"),
        ({"of": "checks", "first_day": "2999-03-02", "last_day": "2999-03-03"}, "still to come"),
        ({"of": "checks", "first_day": "2026-03-01", "last_day": "2026-03-02"}, "nothing to draw"),
        ({"of": "fish"}, "Select a valid choice"),
        ({"rate": ""}, "Say which rate of faults would be too much"),
        ({"rate": "0"}, "greater than or equal to 0.1"),
        ({"rate": "100"}, "less than or equal to 99.9"),
        ({"confidence": "49"}, "greater than or equal to 50"),
        ({"basis": "plan"}, "choose one"),
        ({"basis": "plan", "level": "1.0"}, "51 to 10000"),
        ({"basis": "2", "rate": "5"}, "cannot be allowed"),
        ({"seed": "a|b"}, "Letters, digits and hyphens only"),
        ({"at": "soon"}, "is not a moment"),
        ({"at": "2999-01-01T10:00"}, "still to come"),
    ],
)
def test_what_cannot_be_drawn_is_said_beside_its_field(tickets, auditor, data, told):
    assert told in ask(auditor, **data, draw="yes").content.decode()
    assert not Sample.objects.exists()


def test_one_site_is_not_drawn_from_site_by_site(tickets, site, auditor):
    page = ask(auditor, site=site.pk, is_by_site="on", draw="yes").content.decode()
    assert "One site is asked for already" in page


def test_who_audits_one_site_is_offered_that_one_and_no_other(tickets, site):
    account = AccountFactory(roles=[("auditor", site)])
    elsewhere = SiteFactory(name="Far Pit")
    page = signed_in(account).get(reverse("sample-new")).content.decode()
    assert "Far Pit" not in page
    assert "Every site" not in page
    for chosen in ("", elsewhere.pk):
        ask(account, site=chosen, draw="yes")
    assert not Sample.objects.exists()
    ask(account, site=site.pk, draw="yes")
    assert Sample.objects.get().site == site


def test_a_sample_of_every_site_is_not_for_who_audits_one(sample, site):
    account = AccountFactory(roles=[("auditor", site)])
    assert page_of(account, sample).status_code == 403
    assert f"Sample {sample.pk}" not in signed_in(account).get(reverse("sample-list")).content.decode()


def test_a_press_is_kept_and_comes_back_to_the_same_record(sample, auditor):
    first, second = sample.items.order_by("position")[:2]
    answer = press(auditor, sample, item=first.pk, found="met", query="show=open")
    assert answer.redirect_chain[-1][0] == f"{reverse('sample', args=[sample.pk])}?show=open#record-1"
    press(auditor, sample, item=second.pk, found="fault", note="No assessment behind it.")
    page = page_of(auditor, sample, show="fault")
    assert [row.item for row, _, _ in page.context["sheet"]] == [second]
    assert "1 fault turned up, where no fault is allowed" in page.content.decode()


def test_a_script_is_told_what_was_kept_and_what_was_not(sample, auditor):
    item, way = sample.items.first(), reverse("sample-verdict", args=[sample.pk])
    client = signed_in(auditor)
    refused = client.post(way, {"item": item.pk, "found": "fault"}, **JSON)
    assert (refused.status_code, refused.json()["answered"]) == (422, 0)
    assert refused.json()["sentence"] == "Say what the fault is, or why it cannot be told."
    kept = client.post(way, {"item": item.pk, "found": "fault", "note": "Gone."}, **JSON)
    assert (kept.status_code, kept.json()["answered"]) == (200, 1)
    assert "1 fault among the 7 looked at." in kept.json()["so_far"]
    page = client.post(reverse("sample-close", args=[sample.pk])).content.decode()
    assert "6 records have no verdict: close all the same, for good" in page
    assert not SampleResult.objects.exists()
    client.post(reverse("sample-close", args=[sample.pk]), {"leaves_out": "on"})
    late = client.post(way, {"item": item.pk, "found": "met"}, **JSON)
    assert (late.status_code, SampleVerdict.objects.count()) == (409, 1)


@pytest.mark.parametrize("item", ["", "x", "0", "9" * 40, "-1"])
def test_a_record_of_another_sample_is_not_found(sample, auditor, item):
    assert press(auditor, sample, item=item, found="met").status_code == 404


def test_a_closed_sample_reads_as_it_was_kept(sample, auditor):
    client = signed_in(auditor)
    for item in sample.items.all():
        press(auditor, sample, item=item.pk, found="met")
    answer = client.post(
        reverse("sample-close", args=[sample.pk]), {"remarks": "All files were at hand."}, follow=True
    )
    text = answer.content.decode()
    assert "Shown with 95 % confidence: fewer than 25 % of the 12 tickets in force have a fault." in text
    assert "With 95 % confidence, at most 2 of the 12 tickets in force have a fault (16.7 % at most)." in text
    assert "All files were at hand." in text
    assert "data-verdict" not in text


def test_the_sheet_can_be_printed_checked_and_holds_no_formula(sample, auditor, tickets):
    item = sample.items.order_by("position")[1]
    press(auditor, sample, item=item.pk, found="fault", note="=HYPERLINK(1)")
    before = JournalEntry.objects.count()
    answer = signed_in(auditor).post(reverse("sample-sheet", args=[sample.pk]))
    look = Look.objects.get()
    assert (look.kind, look.by, look.asked) == ("sample", auditor, {"sample": sample.pk})
    assert JournalEntry.objects.count() == before + 1
    book = load_workbook(BytesIO(answer.content))
    assert book.sheetnames == ["To fill in", "How it was drawn", "Drawn from"]
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    filled = list(book["To fill in"].iter_rows(min_row=2, values_only=True))
    assert [row[0] for row in filled] == list(range(1, 8))
    assert filled[1][4:7] == ("Fault", "=HYPERLINK(1)", "Ada Fenn")
    assert filled[1][7].year == timezone.now().year
    steps = {row[0]: row[1] for row in book["How it was drawn"].iter_rows(values_only=True)}
    assert steps["Seed"] == "4711"
    listed = list(book["Drawn from"].iter_rows(min_row=2, values_only=True))
    assert len(listed) == 12
    for _, key, rank, _ in listed:
        assert rank == hashlib.sha256(f"4711|{key}".encode()).hexdigest()
    by_hand = sorted(listed, key=lambda row: row[2])[:7]
    assert [row[1] for row in by_hand] == [row[1] for row in filled]
    assert all(row[3] == "yes" for row in by_hand)


def test_a_sheet_takes_as_many_statements_for_many_records_as_for_few(
    sample, auditor, site, django_assert_num_queries
):
    for _ in range(60):
        TicketFactory(operator__site=site)
    ask(auditor, draw="yes", rate="3")
    larger = Sample.objects.latest("pk")
    assert larger.size > 40
    client = signed_in(auditor)
    for one in (sample, larger):
        # The session, the account and its roles are three of them.
        with django_assert_num_queries(6):
            client.get(reverse("sample", args=[one.pk]))


# From a terminal ------------------------------------------------------------------------------------------


def told(**options):
    out = StringIO()
    call_command("sample", stdout=out, **options)
    return out.getvalue()


def test_the_size_takes_no_database():
    assert "129 of the 500 records" in told(population="500", rate="0.02", size_only=True)
    plain = json.loads(told(population="500", rate="0.02", allowed=2, size_only=True, json=True))
    assert (plain["size"], plain["tolerable"]) == (253, 10)
    assert "code letter H" in told(population="500", aql="2.5", size_only=True)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"population": "0", "rate": "0.02", "size_only": True}, "no records to draw from"),
        ({"population": "500", "rate": "2", "size_only": True}, "between 0 and 1"),
        ({"population": "500", "rate": "two", "size_only": True}, "is not a number"),
        ({"population": "500", "rate": "nan", "size_only": True}, "is not a number"),
        ({"population": "500", "size_only": True}, "--rate is missing"),
        ({"population": "500", "rate": "0.02", "confidence": "0.2", "size_only": True}, "between 50 %"),
        ({"population": "100", "aql": "1.0", "size_only": True}, "code letter F"),
        ({"population": "500", "rate": "0.02"}, "add --size-only"),
        ({"population": "fish", "rate": "0.02"}, "no population"),
        ({"population": "checks", "rate": "0.02"}, "see --first"),
        ({"population": "tickets", "rate": "0.02"}, "say whose with --by"),
        ({"population": "tickets", "rate": "0.02", "seed": "a|b"}, "--seed"),
    ],
)
def test_what_is_not_understood_is_said_with_2(options, sentence):
    with pytest.raises(CommandError, match=sentence) as refused:
        told(**options)
    assert refused.value.returncode == 2


def test_a_draw_from_a_terminal_is_the_draw_on_screen(sample, auditor):
    again = json.loads(told(population="tickets", rate="0.25", seed="4711", by=auditor.username, json=True))
    assert [item["key"] for item in again["items"]] == list(
        sample.items.order_by("position").values_list("key", flat=True)
    )
    assert Sample.objects.count() == 2
    with pytest.raises(CommandError, match=r"needs a role|every site"):
        told(population="tickets", rate="0.25", by=AccountFactory(roles=["trainer"]).username)


def test_evidence_of_days_is_counted_from_a_terminal(tickets):
    day = timezone.now().date() - timedelta(days=1)
    with pytest.raises(CommandError, match="nothing to draw"):
        told(population="checks", rate="0.1", first=f"{day}", last=f"{day}", size_only=True)
