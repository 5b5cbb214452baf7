"""The analyse command: tables of answers in by file, figures out; what is not understood ends with 2."""

import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

# Kuder and Richardson's formula by hand: variance 2.64, KR-20 0.767045. See tests/outside.
EXERCISE = ["11111", "11110", "11100", "11010", "10100", "11000", "01000", "10000", "00000", "11111"]
ZEROS_AND_ONES = "\n".join(["q1,q2,q3,q4,q5", *(",".join(row) for row in EXERCISE)])
CHOICES = "person,q1,q2,q3\nAda,A,B,C\nBo,A,B,D\nCal,B,B,C\nDee,A,A,\n"
KEY = "question,right,choices\nq1,A,A B C\nq2,B,A B C\nq3,C,A B C D\n"


@pytest.fixture
def write(tmp_path):
    """Write a file and give its path."""

    def to_file(content, name="responses.csv"):
        file = tmp_path / name
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        return str(file)

    return to_file


def run(*arguments):
    """The command's exit code and what it printed."""
    printed = StringIO()
    try:
        call_command("analyse", *arguments, stdout=printed)
    except CommandError as error:
        return error.returncode, str(error)
    return 0, printed.getvalue()


def figures(*arguments):
    code, printed = run(*arguments, "--json")
    assert code == 0, printed
    return json.loads(printed)


def test_marks_of_nought_and_one_are_analysed(write):
    code, printed = run(write(ZEROS_AND_ONES), "--cut", "3")
    assert code == 0
    assert "10 people, 5 questions." in printed
    assert "Reliability 0.7670, 95 % 0.4194 to 0.9339." in printed
    assert "Subkoviak 0.7418, kappa 0.4831" in printed
    assert "At a cut of 3, 5 of 10 pass." in printed
    assert "Few sittings say little: 10 so far" in printed
    assert "nothing is said of q1, q2, q3, q4, q5" in printed
    assert "No question stands out" not in printed


def test_the_json_carries_every_figure(write):
    found = figures(write(ZEROS_AND_ONES), "--cut", "4")
    assert round(found["reliability"]["value"], 6) == 0.767045
    assert found["reliability"]["method"] == "alpha"
    assert [one["facility"] for one in found["questions"]] == [0.8, 0.7, 0.5, 0.4, 0.2]
    assert round(found["questions"][3]["discrimination"]["value"], 4) == 0.6864
    assert round(found["consistency"]["agreed"], 6) == 0.783251
    assert (found["consistency"]["passed"], found["consistency"]["people"]) == (3, 10)
    assert found["reliability"]["people"] == 10
    assert "Few answers" in found["questions"][0]["difficulty"]["why_not"]


def test_without_a_cut_nothing_is_said_of_decisions(write):
    file = write(ZEROS_AND_ONES)
    assert figures(file)["consistency"] is None
    assert "pass" not in run(file)[1]


def test_choices_are_marked_by_a_key_and_counted(write):
    found = figures(write(CHOICES), "--key", write(KEY, "key.csv"))
    assert [one["right"] for one in found["questions"]] == [3, 3, 2]
    third = found["questions"][2]
    told = [(choice["choice"], choice["is_right"], choice["count"]) for choice in third["choices"]]
    assert told == [("A", False, 0), ("B", False, 0), ("C", True, 2), ("D", False, 1)]
    assert third["unanswered"] == 1
    # Elsewhere Ada and Bo had both right, Cal and Dee one: two strong, two weak, and Dee picked nothing.
    assert third["groups"] == [2, 0, 2]
    assert [choice["by_group"] for choice in third["choices"]] == [[0, 0, 0], [0, 0, 0], [1, 0, 1], [0, 0, 1]]
    assert found["empty_cells"] == 1


def test_a_key_without_its_choices_knows_those_that_were_given(write):
    found = figures(write(CHOICES), "--key", write("question,right\nq1,A\nq2,B\nq3,E\n", "key.csv"))
    assert [choice["choice"] for choice in found["questions"][2]["choices"]] == ["C", "D", "E"]


def test_an_empty_cell_is_wrong_unless_the_questions_were_drawn(write):
    file = write("q1,q2,q3\n1,,0\n1,1,\n0,0,1\n,1,1\n")
    code, printed = run(file)
    assert code == 0
    assert "3 empty cells counted as wrong" in printed
    wrong, drawn = figures(file), figures(file, "--drawn")
    assert [one["answers"] for one in wrong["questions"]] == [4, 4, 4]
    assert [one["answers"] for one in drawn["questions"]] == [3, 3, 3]
    assert drawn["reliability"]["method"] == "drawn"
    assert "different questions, so alpha is not computed" in run(file, "--drawn")[1]


@pytest.mark.parametrize(
    ("content", "questions"),
    [
        ("Person,q1,q2\n0,1,0\n1,0,1\n2,1,1\n", 2),
        (",q1,q2\nAda,1,0\nBo,0,1\n", 2),
        ("Who,q1,q2\nAda,1,0\nBo,0,1\n", 2),
        ("q1,q2\n1,0\n0,1\n", 2),
        ("\ufeffid;q1;q2\n1;1;0\n2;0;1\n", 2),
        ("q1\tq2\r\n1\t0\r\n\r\n0\t1\r\n", 2),
    ],
)
def test_a_column_that_says_who_answered_is_no_question(write, content, questions):
    found = figures(write(content))
    assert len(found["questions"]) == questions
    assert found["people"] == content.strip().count("\n") - content.count("\n\r\n")


def test_a_question_on_which_all_gave_the_same_is_no_error_and_says_so(write):
    code, printed = run(write("q1,q2\n1,0\n1,1\n1,1\n"))
    assert code == 0
    assert "q1, with the rest: Everybody gave the same here" in printed
    assert "nan" not in printed.lower()


def test_where_all_have_the_same_score_reliability_says_why(write):
    code, printed = run(write("q1,q2\n1,0\n0,1\n"), "--cut", "1")
    assert code == 0
    assert "Reliability: Not computed: everybody has the same score" in printed


def test_questions_that_need_a_look_are_listed_with_why(write):
    rows = [f"{1 - n % 2},{n % 2},{n % 2}" for n in range(40)]
    code, printed = run(write("\n".join(["turned,q2,q3", *rows])))
    assert code == 0
    assert "turned: strong people get it wrong. Those who do well elsewhere" in printed


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", "responses.csv is empty"),
        (" , \n", "responses.csv is empty"),
        ("q1,q2\n", "a header and no answers"),
        ("q1,q2\n1,0\n", "one person: it takes two"),
        ("q1,q2\n1,0\n1\n", "line 3 has 1 fields and the header 2"),
        ("q1,q2\n1,0\n1,0,1\n", "line 3 has 3 fields and the header 2"),
        ("q1,q2\n1,0\n1,x\n", "Line 3, q2: “x” is neither 0 nor 1. Where these are choices, give a --key."),
        ("q1,q2\nx,0\n1,1\n", "Line 2, q1: “x” is neither 0 nor 1"),
        ("q1,q1\n1,0\n0,1\n", "more than one column named q1"),
        ("q1,,q3\n1,0,1\n0,1,1\n", "question 2 has no name"),
        ("person\nAda\nBo\n", "no column of answers"),
        (b"q1,q2\n\xff\xfe\n", "not a table of text"),
        (b"q1,q2\n\x00,1\n", "not a table of text"),
    ],
)
def test_what_is_not_understood_ends_with_2_and_says_where(write, content, told):
    code, printed = run(write(content))
    assert code == 2
    assert told in printed
    assert "\n" not in printed.strip()


def test_a_file_that_is_not_there_ends_with_2(tmp_path):
    code, printed = run(str(tmp_path / "none.csv"))
    assert code == 2
    assert "could not be read" in printed


@pytest.mark.parametrize(
    ("key", "told"),
    [
        ("question,right\nq1,A\nq2,B\n", "The key has no answer for q3."),
        (KEY + "q9,A,A B\n", "The key has q9, and responses.csv has no such column; it has q1, q2, q3."),
        (KEY.replace("A B C D", "A B C"), "Line 3: q3 has no choice “D”; it has A, B, C."),
        (KEY.replace("q1,A", "q1,F"), "F is right at q1 and not among its choices, A, B, C."),
        (KEY + "q1,A,A B\n", "line 5: q1 has a key already"),
        (KEY + "q4\n", "line 5 has 1 fields and the header 3"),
        (KEY + "q4,,A B\n", "line 5: name a question and its right choice"),
        ("question\nq1\n", "a key has the columns question, right and perhaps choices; this has 1"),
        ("question,right\n", "no questions under it"),
        ("", "key.csv is empty"),
    ],
)
def test_a_key_that_does_not_fit_ends_with_2(write, key, told):
    code, printed = run(write(CHOICES), "--key", write(key, "key.csv"))
    assert code == 2
    assert told in printed


def test_a_cut_below_one_ends_with_2(write):
    assert run(write(ZEROS_AND_ONES), "--cut", "0") == (2, "The cut is at least one right answer.")


def test_a_cut_above_the_questions_is_said_and_is_no_error(write):
    code, printed = run(write(ZEROS_AND_ONES), "--cut", "6")
    assert code == 0
    assert "the cut is 6, and a sitting asks 5" in printed
