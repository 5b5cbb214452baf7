"""An office brings its old spreadsheet in: ten kinds of bad rows, corrected to the end, in a real browser."""

from datetime import date, timedelta

import pytest
from openpyxl import Workbook, load_workbook

from competence.models import Operator, Ticket
from competence.queries.journal import verify
from tests.conftest import DESK, PHONE
from tests.factories import AccountFactory, CategoryFactory, EmployerFactory, SiteFactory, plain_standard

TODAY = date.today()
ISSUED, EXPIRES = TODAY - timedelta(days=200), TODAY + timedelta(days=400)
HEADINGS = [
    "Op no",
    "Name",
    "Company",
    "Site",
    "Start date",
    "Machine",
    "Level",
    "Issued",
    "Expires",
    "Notes",
]


@pytest.fixture
def office(transactional_db):
    site = SiteFactory(code="NORTH", name="North Quarry")
    EmployerFactory(name="Invented Plant")
    for code, name in (("dumper", "Dumper"), ("excavator", "Excavator, tracked"), ("crane", "Crane")):
        plain_standard(category=CategoryFactory(code=code, name=name))
    return AccountFactory(roles=[("site_admin", site)])


def row(
    number,
    name,
    machine="Dumper",
    expires=EXPIRES,
    issued=ISSUED,
    level="Full",
    notes="",
    site="North Quarry",
):
    return [number, name, "Invented Plant", site, ISSUED, machine, level, issued, expires, notes]


# One good row, and ten that each have something else wrong with them.
ROWS = [
    row("A1", "Ada Ashworth"),
    row("A2", "Bo Bell", expires="29.2.2027"),
    row("A3", "Cy Carr", expires=date(2104, 1, 1)),
    row("A4", "Di Dunn", issued=date(1925, 1, 1)),
    row("", "Ed Ellery"),
    row("A6", "Flo"),
    row("A7", "Gus Garside", level="Boss"),
    row("A8", "Hal Hughes", expires="=DATE(2027,1,2)"),
    row("A9", "Ivy Ingram", expires=ISSUED - timedelta(days=1)),
    row("B1", "ÁDA ashworth", "Crane"),
    row("B2", "Jo Jones", "Thingummy"),
]


def fill(path, rows):
    book = Workbook()
    for one in [HEADINGS, *rows]:
        book.active.append(one)
    # Formatting drawn far down, as old sheets have it.
    for number in range(500, 520):
        book.active.cell(number, 3).value = " "
    book.save(path)
    return path


@pytest.mark.slow
def test_an_import_with_ten_kinds_of_bad_rows_is_corrected_to_the_end(
    office, desk_page, sign_in, check_access, tmp_path
):
    page = desk_page
    sign_in(page, office)
    page.goto("/imports/")
    check_access(page)
    page.get_by_label("The spreadsheet").set_input_files(fill(tmp_path / "tickets.xlsx", ROWS))
    page.get_by_role("button", name="Read it").click()
    page.get_by_role("heading", name="What does each column hold?").wait_for()
    check_access(page)
    # The guess left nothing to correct but this: the notes are of no use here.
    page.get_by_label("Notes holds").select_option("Not used")
    page.get_by_role("button", name="Keep, and go on to values").click()
    page.get_by_role("heading", name="What does each word mean here?").wait_for()
    check_access(page)
    assert page.get_by_label("Dumper means").input_value() == "dumper"
    assert page.get_by_label("Thingummy means").input_value() == ""
    page.get_by_role("button", name="Keep, and see what would happen").click()
    page.get_by_role("heading", name="What would happen").first.wait_for()
    check_access(page)
    told = page.locator("table").inner_text()
    for sentence in (
        "has no 29 February",
        "after 2100",
        "before 1930",
        "no operator number",
        "one word",
        "is no level",
        "formula without a value",
        "before its first day",
        "say whether they are one person",
        "The category “Thingummy” is not decided yet",
    ):
        assert sentence in told, sentence
    assert not Operator.objects.exists()
    with page.expect_download() as download:
        page.get_by_role("link", name="Download the file, marked").click()
    marked = tmp_path / "marked.xlsx"
    download.value.save_as(marked)
    page.get_by_role("button", name="Put away").click()
    correct(marked)
    page.get_by_label("The spreadsheet").set_input_files(marked)
    page.get_by_role("button", name="Read it").click()
    page.get_by_role("button", name="Keep, and go on to values").click()
    page.get_by_label("Thingummy means").select_option("Excavator, tracked")
    page.get_by_role("button", name="Keep, and see what would happen").click()
    page.get_by_label("A1 and B1").select_option("One person: use A1")
    page.get_by_role("button", name="Keep these decisions").click()
    page.get_by_text("would be left out").wait_for()
    assert "0 would be left out" in page.locator("main").inner_text().replace("\n", " ")
    page.get_by_role("button", name="Bring in 11 rows").click()
    page.get_by_role("heading", name="What became of each row").wait_for()
    check_access(page)
    assert Operator.objects.count() == 10
    assert Ticket.objects.count() == 11
    assert Operator.objects.get(number="A1").name == "Ada Ashworth"
    assert not [one for one in verify().problems if one.subject.startswith(("operator", "ticket", "import"))]


def correct(path):
    """What the office does with the last column: reads it, and puts right what it says."""
    book = load_workbook(path)
    sheet = book.active
    wrong = {
        line[0].row: line[-1].value for line in sheet.iter_rows(min_row=2) if line[-1].value and line[1].value
    }
    # Rows 2 and 11 bear one name: both new numbers wait for the decision.
    assert set(wrong) == set(range(2, 13))
    for number, column, value in (
        (3, 9, EXPIRES),
        (4, 9, EXPIRES),
        (5, 8, ISSUED),
        (6, 1, "A5"),
        (7, 2, "Flo Fenwick"),
        (8, 7, "Full"),
        (9, 9, EXPIRES),
        (10, 9, EXPIRES),
    ):
        sheet.cell(number, column).value = value
    book.save(path)


@pytest.mark.slow
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_the_pages_of_an_import_stay_within_the_screen(
    office, device, open_page, sign_in, check_access, tmp_path
):
    page = open_page(device)
    sign_in(page, office)
    page.goto("/imports/")
    rows = [row("A1", "Ada Ashworth", expires="3.4.27"), *ROWS[2:]]
    page.get_by_label("The spreadsheet").set_input_files(fill(tmp_path / "tickets.xlsx", rows))
    page.get_by_role("button", name="Read it").click()
    page.get_by_label("Days in Expires are written").wait_for()
    address = page.url.removesuffix("columns/")
    for step in ("columns/", "values/", ""):
        page.goto(f"{address}{step}")
        beyond = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert beyond <= 0, f"{page.url} is {beyond} pixels too wide"
        check_access(page)
