"""Bringing a spreadsheet in, as a site admin meets it on screen and at a terminal."""

import io
import json

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.urls import reverse
from openpyxl import load_workbook

from competence.models import Employer, ImportFile, JournalEntry, Operator, RememberedWord, Ticket
from tests.factories import AccountFactory, CategoryFactory, EmployerFactory, SiteFactory, plain_standard
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db

FIRST, LAST = days_ago(100), days_ago(-500)
HEADINGS = "Op no,Name,Company,Site,Start date,Machine,Level,Issued,Expires,Notes"


def line(number="A1", name="Ada Ashworth", machine="Dumper", issued=FIRST, expires=LAST, notes="", **more):
    site, company = more.get("site", "North Quarry"), more.get("company", "Invented Plant")
    return f"{number},{name},{company},{site},{days_ago(700)},{machine},Full,{issued},{expires},{notes}"


@pytest.fixture
def office(client):
    site = SiteFactory(code="NORTH", name="North Quarry")
    EmployerFactory(name="Invented Plant")
    for code, name in (("dumper", "Dumper"), ("excavator", "Excavator")):
        plain_standard(
            category=CategoryFactory(code=code, name=name, trade_names="digger" * (code != "dumper"))
        )
    admin = AccountFactory(username="admin", roles=[("site_admin", site)])
    client.force_login(admin)
    return admin


@pytest.fixture
def sent(client, office):
    """``sent(line, ...)``: the draft of a file with these lines."""

    def send(*lines, name="old.csv", headings=HEADINGS):
        content = "\n".join([headings, *lines]).encode()
        answer = client.post(reverse("import-list"), {"file": SimpleUploadedFile(name, content)})
        assert answer.status_code == 302, answer.context["form"].errors
        return ImportFile.objects.latest("pk")

    return send


def page(client, name, draft, **query):
    return client.get(reverse(name, args=[draft.pk]), query)


def test_a_file_goes_from_upload_to_result(client, sent):
    draft = sent(line())
    columns = page(client, "import-columns", draft)
    assert [str(one["part"].value()) for one in columns.context["lines"]] == [
        "number",
        "name",
        "employer",
        "site",
        "started_on",
        "category",
        "level",
        "first_day",
        "last_day",
        "notes",
    ]
    dry = page(client, "import-dry-run", draft)
    assert (dry.context["counts"]["people_new"], dry.context["counts"]["tickets_new"]) == (1, 1)
    assert not Operator.objects.exists()
    result = client.post(reverse("import-run", args=[draft.pk]), follow=True)
    assert "What became of each row" in result.content.decode()
    assert Operator.objects.get().tickets.get().last_day == LAST
    draft.refresh_from_db()
    assert (draft.status, draft.file.name) == ("imported", "")


def test_importing_twice_by_two_presses_counts_once(client, sent):
    draft = sent(line())
    for _ in range(2):
        client.post(reverse("import-run", args=[draft.pk]))
    assert Ticket.objects.count() == 1
    assert JournalEntry.objects.filter(action="import.brought_in").count() == 1


@pytest.mark.parametrize(
    ("content", "name", "because"),
    [
        (b"", "old.xlsx", "empty"),
        (bytes.fromhex("d0cf11e0a1b11ae1") + b"x" * 99, "old.xlsx", "password"),
        (b"\x89PNG", "old.png", "no spreadsheet"),
    ],
)
def test_a_file_that_cannot_be_read_is_told_beside_its_field(client, office, content, name, because):
    answer = client.post(reverse("import-list"), {"file": SimpleUploadedFile(name, content)})
    assert because in " ".join(answer.context["form"].errors["file"])
    assert not ImportFile.objects.exists()


def test_a_file_too_large_is_refused_by_its_size(client, office, settings):
    settings.SPREADSHEET_MAX_BYTES = 10
    answer = client.post(reverse("import-list"), {"file": SimpleUploadedFile("old.csv", b"x" * 11)})
    assert "at most" in " ".join(answer.context["form"].errors["file"])


def columns_posted(draft, **changes):
    told = {f"part_{n}": part for n, part in enumerate(draft.mapping["parts"])}
    return told | changes


def test_an_order_that_cannot_be_known_is_asked_and_nothing_else_is_lost(client, sent):
    draft = sent(line(expires="3.4.2027"))
    asked = client.post(reverse("import-columns", args=[draft.pk]), columns_posted(draft, part_9=""))
    assert [one.heading for one in asked.context["still_open"]] == ["Expires"]
    draft.refresh_from_db()
    assert draft.mapping["parts"][9] == ""
    dry = page(client, "import-dry-run", draft)
    assert "Say which" in " ".join(dry.context["rows"][0]["sentences"])
    answered = client.post(
        reverse("import-columns", args=[draft.pk]), columns_posted(draft, part_9="", order_8="dmy")
    )
    assert answered.status_code == 302
    assert page(client, "import-dry-run", draft).context["counts"]["left_out"] == 0


def test_two_columns_for_one_thing_are_told_of(client, sent):
    draft = sent(line())
    answer = client.post(reverse("import-columns", args=[draft.pk]), columns_posted(draft, part_9="number"))
    assert "Two columns" in str(answer.context["form"].errors)


def test_words_are_mapped_once_and_remembered(client, sent):
    draft = sent(line(machine="Digger", site="N"), line("B1", "Bo Bell", machine="Scrap"))
    values = page(client, "import-values", draft)
    form = values.context["form"]
    offered = {form.fields[name].label: form.fields[name].initial for name in form.fields}
    assert offered["Digger means"] == "excavator"
    assert offered["Scrap means"] == ""
    told = {name: form.fields[name].initial for name in form.fields}
    told |= {name: "NORTH" for name in told if form.fields[name].label == "N means"}
    told |= {name: "-" for name in told if form.fields[name].label == "Scrap means"}
    assert client.post(reverse("import-values", args=[draft.pk]), told).status_code == 302
    assert set(RememberedWord.objects.values_list("word", flat=True)) >= {"digger", "n"}
    dry = page(client, "import-dry-run", draft)
    assert [row["sentences"] for row in dry.context["rows"]] == [
        ["The category “Scrap” was kept aside, on the page of values."]
    ]
    again = sent(line("C1", "Cy Carr", machine="DIGGER", site="n"))
    assert page(client, "import-dry-run", again).context["counts"]["left_out"] == 0


def test_only_who_keeps_the_set_up_enters_an_employer(client, sent):
    draft = sent(line(company="Brand New Ltd"))
    form = page(client, "import-values", draft).context["form"]
    (name,) = [name for name in form.fields if form.fields[name].label == "Brand New Ltd means"]
    assert "+" not in dict(form.fields[name].choices)
    client.post(reverse("import-values", args=[draft.pk]), {name: "+"})
    assert not Employer.objects.filter(name="Brand New Ltd").exists()
    client.force_login(AccountFactory(roles=["site_admin"]))
    told = {one: form.fields[one].initial for one in form.fields} | {name: "+"}
    assert client.post(reverse("import-values", args=[draft.pk]), told).status_code == 302
    assert Employer.objects.filter(name="Brand New Ltd").exists()


def test_one_person_under_two_numbers_is_decided_by_pair(client, sent):
    draft = sent(line("A1", "Zoe Ashworth"), line("A2", "Zoë ASHWORTH", "Excavator"))
    dry = page(client, "import-dry-run", draft)
    assert dry.context["counts"]["left_out"] == 2
    client.post(reverse("import-dry-run", args=[draft.pk]), {"pair_0": "A1"})
    assert page(client, "import-dry-run", draft).context["counts"]["left_out"] == 0
    client.post(reverse("import-run", args=[draft.pk]))
    assert Operator.objects.get().tickets.count() == 2


def test_the_file_given_back_says_what_is_wrong_and_can_be_sent_again(client, sent):
    draft = sent(line(notes="=HYPERLINK(1)"), line("B1", "Bo Bell", expires="29.2.2027"), line("", "Cy Carr"))
    answer = page(client, "import-marked", draft)
    sheet = load_workbook(io.BytesIO(answer.content)).active
    rows = [[cell.value for cell in row] for row in sheet.rows]
    assert rows[0][-1] == "What is wrong with this row"
    assert rows[1][-1] is None
    assert "2027 has no 29 February" in rows[2][-1]
    assert "no operator number" in rows[3][-1]
    assert (sheet["J2"].value, sheet["J2"].data_type) == ("=HYPERLINK(1)", "s")
    again = client.post(reverse("import-list"), {"file": SimpleUploadedFile("again.xlsx", answer.content)})
    assert again.status_code == 302
    parts = ImportFile.objects.latest("pk").mapping["parts"]
    assert parts == [*draft.mapping["parts"], ""]


def test_another_row_of_headings_is_read_when_it_is_named(client, sent):
    draft = sent("x,y", HEADINGS, line(), headings="List of,tickets")
    assert draft.mapping["headings_row"] == 3
    url = reverse("import-columns", args=[draft.pk])
    client.post(url, {"other_rows": "yes", "sheet": draft.mapping["sheet"], "headings_row": "2"})
    draft.refresh_from_db()
    assert draft.mapping["headings_row"] == 2
    answer = client.post(url, {"other_rows": "yes", "headings_row": "99"}, follow=True)
    assert "a number, from 1" in answer.content.decode()


def test_a_draft_whose_copy_is_gone_asks_for_the_file_again(client, sent):
    draft = sent(line())
    draft.file.storage.delete(draft.file.name)
    answer = client.get(reverse("import-columns", args=[draft.pk]), follow=True)
    assert "Send the file again" in answer.content.decode()


def test_a_draft_put_away_is_gone_from_the_list(client, sent, django_capture_on_commit_callbacks):
    draft = sent(line())
    name = draft.file.name
    with django_capture_on_commit_callbacks(execute=True):
        client.post(reverse("import-give-up", args=[draft.pk]))
    assert not draft.file.storage.exists(name)
    assert client.get(reverse("import-list")).context["drafts"] == []


def test_a_page_of_a_thousand_rows_takes_no_more_statements(client, sent, django_assert_max_num_queries):
    draft = sent(*(line(f"A{n}", f"Ada Ash{n}", machine="Unknown") for n in range(1000)))
    with django_assert_max_num_queries(22):
        dry = page(client, "import-dry-run", draft)
    assert dry.context["doubtful"].paginator.count == 1000


@pytest.fixture
def files(tmp_path, office):
    def write(*lines, mapping=""):
        (tmp_path / "old.csv").write_text("\n".join([HEADINGS, *lines]))
        (tmp_path / "map.toml").write_text(mapping)
        return [str(tmp_path / "old.csv"), "--mapping", str(tmp_path / "map.toml"), "--by", "ADMIN"]

    return write


def run(*arguments):
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("import_register", *arguments, stdout=out, stderr=err)
    except SystemExit as stopped:
        return stopped.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_the_command_brings_a_file_in_and_a_second_time_nothing(files):
    arguments = files(
        line(expires="3.4.2027", machine="360"),
        mapping='[order]\nExpires = "dmy"\n[categories]\n"360" = "excavator"\n',
    )
    code, said, _ = run(*arguments, "--dry-run")
    assert (code, Operator.objects.count()) == (0, 0)
    assert "would be new" in said
    code, said, progress = run(*arguments)
    assert (code, Ticket.objects.count()) == (0, 1)
    assert "rows read" in progress
    _, said, _ = run(*arguments, "--json")
    assert json.loads(said)["counts"]["same"] == 1
    assert Ticket.objects.count() == 1


def test_the_command_says_which_rows_it_left_out(files):
    code, said, progress = run(*files(line(), line("B1", "Bo Bell", expires="1.2.27")))
    assert code == 3
    assert "Left out, row 3" in said
    assert "Open: years of two digits" in progress
    assert list(Operator.objects.values_list("number", flat=True)) == ["A1"]


@pytest.mark.parametrize(
    ("change", "because"),
    [
        (lambda a: ["missing.csv", *a[1:]], "cannot be read"),
        (lambda a: [*a[:-1], "nobody"], "Nobody signs in"),
    ],
)
def test_the_command_says_what_it_did_not_understand(files, change, because):
    with pytest.raises(CommandError, match=because):
        call_command("import_register", *change(files(line())))


def test_the_command_refuses_a_mapping_that_is_none(files):
    for mapping, because in (("[columns", "no TOML"), ("colums = 1", "unknown parts")):
        with pytest.raises(CommandError, match=because):
            call_command("import_register", *files(line(), mapping=mapping))


def test_the_command_takes_an_account_that_keeps_people(files):
    AccountFactory(username="trainer", roles=["trainer"])
    with pytest.raises(CommandError, match="site admin"):
        call_command("import_register", *files(line())[:-1], "trainer")
