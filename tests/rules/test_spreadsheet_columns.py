"""Which column holds what, and words compared."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.import_mapping import (
    UnreadableMapping,
    first_mapping,
    mapping_from_toml,
    meaning_of,
    problems_of,
)
from competence.rules.import_rows import read_lines
from competence.rules.spreadsheet_columns import (
    PART_WORDS,
    Part,
    as_text,
    category_in,
    closest,
    folded,
    guess_parts,
    headings_row,
    level_of,
    split_name,
)


@pytest.mark.parametrize(
    ("heading", "part"),
    [
        ("Op. No", Part.NUMBER),
        ("Employee ID", Part.NUMBER),
        ("Name", Part.NAME),
        ("Surname", Part.FAMILY_NAME),
        ("First name", Part.GIVEN_NAME),
        ("Company", Part.EMPLOYER),
        ("Site", Part.SITE),
        ("Start date", Part.STARTED_ON),
        ("Machine type", Part.CATEGORY),
        ("Level", Part.LEVEL),
        ("Issue date", Part.FIRST_DAY),
        ("Expiry", Part.LAST_DAY),
        ("EXP. DATE", Part.LAST_DAY),
        ("Medical expires", Part.MEDICAL_TO),
        ("Medical date", Part.MEDICAL_ON),
        ("Induction", Part.INDUCTION_ON),
        ("Familiarised on", Part.MODEL_ON),
        ("Model", Part.MODEL),
        ("Remarks", Part.NOTES),
        ("Shoe size", Part.NOTHING),
        ("What is wrong with this row", Part.NOTHING),
    ],
)
def test_a_heading_says_what_its_column_holds(heading, part):
    assert guess_parts([heading], []) == [part]


@pytest.mark.parametrize("part", [part for part in PART_WORDS if part is not Part.TICKET_TO])
def test_the_registers_own_headings_are_understood(part):
    assert guess_parts([PART_WORDS[part]], []) == [part]


def test_one_row_a_person_with_a_column_for_each_category_is_seen():
    headings = ["No", "Name", "Site", "Excavator", "Dumper exp", "Shoe size"]
    rows = [["A1", "Ada Ashworth", "North", "exp 03/2027", date(2027, 5, 1), 44]] * 3
    assert guess_parts(headings, rows)[3:] == [Part.TICKET_TO, Part.TICKET_TO, Part.NOTHING]
    assert category_in("Dumper exp") == "Dumper"


def test_the_headings_are_found_below_a_title():
    rows = [["Tickets 2019 to 2026"], [], ["No", "Name", "Category", "Expires"], ["A1", "Ada", "Dumper", ""]]
    assert headings_row(rows) == 2


@given(st.text(max_size=30))
def test_comparing_words_ignores_capitals_accents_and_spaces(text):
    assert folded(text) == folded(folded(text))
    assert folded(f"  {text} ") == folded(text)


def test_names_are_compared_without_accents_and_capitals_and_kept_as_typed():
    assert folded("José ÁLVAREZ") == folded("jose alvarez")
    assert as_text("  JOSÉ   ÁLVAREZ ") == "JOSÉ ÁLVAREZ"
    assert as_text("Jose\u0301") == "José"


@pytest.mark.parametrize(
    ("whole", "names"),
    [
        ("Ada Ashworth", ("Ada", "Ashworth")),
        ("Ashworth, Ada May", ("Ada May", "Ashworth")),
        ("Ada May Ashworth", ("Ada May", "Ashworth")),
        ("Ada", None),
        (", Ada", None),
    ],
)
def test_a_whole_name_is_taken_apart(whole, names):
    assert split_name(whole) == names


def test_a_word_is_offered_what_is_near_to_one_only():
    offered = {
        "exc": ["Excavator, tracked", "360 digger"],
        "dump": ["Dumper"],
        "crane": ["Crane", "Crane, big"],
    }
    assert closest("DUMPER", offered) == "dump"
    assert closest("digger", offered) == "exc"
    assert closest("crane", offered) == "crane"
    assert closest("shovel", offered) is None


def test_levels_by_their_usual_words():
    assert [level_of(word) for word in ("Full", "TRAINEE", "boss")] == ["full", "trainee", None]


def test_a_choice_of_columns_must_be_able_to_work():
    assert problems_of(["number", "name", "notes", "notes", ""]) == []
    assert len(problems_of(["name", "name", "category", "ticket_to"])) == 3


SHEET = [
    ["Op no", "Name", "Machine", "Site", "Company", "Expires", "Notes"],
    ["a 1", "ASHWORTH, Ada", "360", "N", "Ltd", "3.4.2027", ""],
    [1002.0, "Bo Bell", "Scrap", "N", "Ltd", "", "expires 04/2027"],
    ["", "", "", "", "", "", ""],
    ["B2", "Cy Carr", "Unheard", "N", "Ltd", "5.4.2027", ""],
]


def lines(**document):
    mapping = mapping_from_toml(
        {
            "categories": {"360": "excavator", "scrap": ""},
            "sites": {"n": "NORTH"},
            "employers": {"ltd": "Invented Ltd"},
            **document,
        },
        SHEET,
    )
    meaning = meaning_of(SHEET, mapping)
    return list(read_lines(enumerate(SHEET[1:], start=2), meaning, mapping["headings"]))


def test_rows_are_read_by_a_written_mapping():
    first, second, third = lines(order={"Expires": "dmy"})
    assert (first.number, first.given_name, first.family_name) == ("A1", "Ada", "ASHWORTH")
    assert (first.category, first.last_day, first.problems) == ("excavator", date(2027, 4, 3), [])
    assert second.number == "1002"
    assert "kept aside" in second.problems[0]
    assert second.last_day == date(2027, 4, 30)
    assert third.row == 5
    assert "not decided yet" in third.problems[0]


def test_without_the_order_the_rows_say_what_to_tell():
    assert "Say which" in lines()[0].problems[0]


@pytest.mark.parametrize(
    ("document", "because"),
    [
        ({"colums": {}}, "unknown parts"),
        ({"columns": {"number": "Nr"}}, "no column"),
        ({"columns": {"shoe": "Notes"}}, "no part"),
        ({"columns": {"number": "Op no"}}, "the name"),
        ({"order": {"Expires": "dym"}}, "one of"),
        ({"headings_row": 9}, "headings_row"),
        ({"same": [{"numbers": ["A"], "use": "A"}]}, "two numbers"),
        ({"same": [{"numbers": ["A", "B"], "use": "C"}]}, "which of them"),
    ],
)
def test_a_mapping_that_does_not_fit_the_file_says_why(document, because):
    with pytest.raises(UnreadableMapping, match=because):
        mapping_from_toml(document, SHEET)


def test_a_wide_row_is_a_line_for_each_category():
    sheet = [["No", "Name", "Dumper exp", "Crane exp"], ["A1", "Ada Ashworth", "exp 03/2027", "2027-05-01"]]
    mapping = first_mapping(sheet) | {"categories": {"dumper": "dumper", "crane": "crane"}}
    found = list(read_lines([(2, sheet[1])], meaning_of(sheet, mapping), mapping["headings"]))
    assert [(one.category, one.last_day) for one in found] == [
        ("dumper", date(2027, 3, 31)),
        ("crane", date(2027, 5, 1)),
    ]


def test_formulas_and_merged_cells_are_told_of():
    mapping = first_mapping(SHEET) | {
        "categories": {"360": "x"},
        "sites": {"n": "N"},
        "employers": {"ltd": "L"},
    }
    meaning = meaning_of(SHEET, mapping)
    row = ["A1", "Ada Ashworth", "360", "N", "Ltd", date(2027, 1, 1), ""]
    (line,) = read_lines(
        [(2, row)],
        meaning,
        mapping["headings"],
        formulas=frozenset({(2, 5)}),
        merged=frozenset({(2, 3)}),
    )
    assert line.problems == []
    assert "formula" in " ".join(line.remarks)
    assert "merged" in " ".join(line.remarks)
    (line,) = read_lines(
        [(2, [*row[:5], "", ""])], meaning, mapping["headings"], formulas=frozenset({(2, 5)})
    )
    assert "formula without a value" in " ".join(line.problems)
