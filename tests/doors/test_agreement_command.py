"""The agreement command: published tables in by file, figures out; what is not understood ends with 2."""

import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

# Cohen, Educ Psychol Meas 20:37 (1960); Cohen, Psychol Bull 70:213 (1968). See tests/outside.
FIFTY = {("yes", "yes"): 20, ("yes", "no"): 5, ("no", "yes"): 10, ("no", "no"): 15}
COHEN_1968 = dict(
    zip([(a, b) for a in (1, 2, 3) for b in (1, 2, 3)], (88, 14, 18, 10, 40, 10, 2, 6, 12), strict=True)
)


@pytest.fixture
def write(tmp_path):
    """Write a file and give its path; bytes as they are, a table of counts as one row a point."""

    def to_file(content, header="Ada,Bo"):
        file = tmp_path / "marks.csv"
        if isinstance(content, dict):
            rows = [f"{a},{b}" for (a, b), count in content.items() for _ in range(count)]
            content = "\n".join([header, *rows])
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        return str(file)

    return to_file


def run(*arguments):
    """The command's exit code and what it printed."""
    printed = StringIO()
    try:
        call_command("agreement", *arguments, stdout=printed)
    except CommandError as error:
        return error.returncode, str(error)
    return 0, printed.getvalue()


def figures(*arguments):
    code, printed = run(*arguments, "--json")
    assert code == 0, printed
    return json.loads(printed)


def test_words_without_an_order_are_compared_and_not_weighted(write):
    code, printed = run(write(FIFTY))
    assert code == 0
    assert "Ada and Bo: 50 rows" in printed
    assert "Agreed on 35 of 50: 70.0 %." in printed
    assert "0.4000, standard error 0.1270, 95 % 0.1511 to 0.6489" in printed
    assert "Linear" not in printed
    assert "no weighted kappas" in printed


def test_numbers_are_ordered_by_size_and_weighted(write):
    code, printed = run(write(COHEN_1968))
    assert code == 0
    for figure in ("0.4915, standard error 0.0510", "0.4737", "0.4545", "In order of number"):
        assert figure in printed


def test_an_order_weighs_words_and_counts_a_mark_that_nobody_gave(write):
    file = write({("low", "low"): 9, ("low", "high"): 3, ("mid", "high"): 2, ("high", "high"): 8})
    near = figures(file, "--order", "low,mid,high")
    far = figures(file, "--order", "low,mid,unused,high")
    assert near["categories"] == ["low", "mid", "high"]
    assert near["kappa"] == far["kappa"]
    assert near["linear_kappa"]["value"] != far["linear_kappa"]["value"]
    assert [one["steps"] for one in far["differ"]] == [3, 3, 3, 2, 2]


def test_the_json_carries_every_figure(write):
    found = figures(write(COHEN_1968))
    assert found["table"] == [[88, 14, 18], [10, 40, 10], [2, 6, 12]]
    assert found["share_agreed"] == 0.7
    assert round(found["kappa"]["standard_error"], 5) == 0.05100
    assert round(found["linear_kappa"]["value"], 5) == 0.47368
    assert round(found["quadratic_kappa"]["value"], 5) == 0.45455
    assert found["differ"][0] == {"line": 104, "first": "1", "second": "3", "steps": 2}


def test_without_an_order_the_json_says_why_there_is_no_weighted_kappa(write):
    found = figures(write(FIFTY))
    assert found["is_ordered"] is False
    assert found["linear_kappa"]["value"] is None
    assert "no order" in found["linear_kappa"]["why_not"]


def test_the_columns_are_chosen_by_name(write):
    file = write("Point,Ada,Zone,Bo\nOil,1,front,1\nWater,2,front,1\nTyres,2,side,2\n")
    found = figures(file, "--columns", "Bo", "Ada")
    assert found["raters"] == ["Bo", "Ada"]
    assert found["differ"] == [{"line": 3, "first": "1", "second": "2", "steps": 1}]


@pytest.mark.parametrize(
    "content",
    [
        "\ufeffAda,Bo\n1,2\n2,2\n",
        "Ada;Bo\n1;2\n2;2\n",
        "Ada\tBo\r\n1\t2\r\n2\t2\r\n",
        "Ada,Bo\n1,2.0\n\n 2 ,2\n,\n",
    ],
)
def test_files_are_read_as_spreadsheets_write_them(write, content):
    found = figures(write(content))
    assert (found["compared"], found["agreed"], len(found["categories"])) == (2, 1, 2)


def test_where_kappa_has_no_value_it_says_so_and_is_no_error(write):
    file = write({("good", "good"): 5})
    code, printed = run(file)
    assert code == 0
    assert "kappa has no value" in printed
    assert "nan" not in printed.lower()
    assert figures(file)["kappa"]["value"] is None


@pytest.mark.parametrize(
    ("content", "more", "told"),
    [
        ("", (), "is empty"),
        ("\n\n", (), "is empty"),
        ("Ada,Bo\n", (), "no marks under it"),
        ("Ada\n1\n2\n", (), "one column"),
        ("Ada,Bo\n1,1\n2\n", (), "Line 3 has no mark from Bo"),
        ("Ada,Bo\n1,1\n,2\n", (), "Line 3 has no mark from Ada"),
        ("Ada,Bo\n1,1\n2,2,2\n", (), "Line 3 has 3 columns"),
        (b"\x89PNG\r\n\x1a\n\x00\xff", (), "not a table of text"),
        (b"Ada,Bo\n1\x00,1\n", (), "not a table of text"),
        ('Ada,Bo\n"1,1\n', (), "not a table of text"),
        ("Ada,Bo\n1,1\n", ("--columns", "Ada", "Cy"), 'no column named "Cy"'),
        ("Ada,Bo\n1,1\n", ("--columns", "Ada", "Ada"), "two different columns"),
        ("Ada,Ada\n1,1\n", (), 'more than one column named "Ada"'),
        ("Ada,Bo\na,b\n", ("--order", "a,c"), "leaves out b"),
        ("Ada,Bo\na,b\n", ("--order", "a,b,a"), "names a mark twice"),
        ("Ada,Bo\na,b\n", ("--order", ""), "leaves one blank"),
    ],
)
def test_what_is_not_understood_is_told_in_one_line_and_ends_with_2(write, content, more, told):
    code, printed = run(write(content), *more)
    assert code == 2
    assert told in printed
    assert "\n" not in printed


def test_a_file_that_is_not_there_ends_with_2(tmp_path):
    assert run(str(tmp_path / "none.csv"))[0] == 2
    assert run(str(tmp_path))[0] == 2
