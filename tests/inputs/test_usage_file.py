"""A usage file: what can be read is read, and every other line is told with its number."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.inputs.usage_file import MAX_BYTES, read_usage

HEAD = "machine,date,shift,hours\n"


def problems(text):
    found = read_usage(text.encode() if isinstance(text, str) else text)
    assert found.problems
    return found.problems


def test_lines_are_read_in_the_order_of_their_columns():
    found = read_usage(b"\xef\xbb\xbfHours;Machine;Shift;Date\r\n7,5;lo-01;N;2026-03-02\r\n\r\n")
    assert found.problems == []
    (line,) = found.lines
    assert (line.machine, line.on, line.shift, line.hours) == (
        "LO-01",
        date(2026, 3, 2),
        "night",
        Decimal("7.5"),
    )


def test_a_file_need_not_name_shifts():
    (line,) = read_usage(b"machine,date,hours\nLO-01,2026-03-02,7\n").lines
    assert line.shift == ""


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("LO-01,3/4/2026,day,7", "the date “3/4/2026” is not year, month and day"),
        ("LO-01,2026-02-29,day,7", "the date “2026-02-29” is not"),
        ("LO-01,1999-12-31,day,7", "before the year 2000"),
        ("LO-01,2026-03-02,late,7", "the shift “late” is none of day, night or nothing"),
        ("LO-01,2026-03-02,day,25", "the hours “25” are not a number from 0 to 24"),
        ("LO-01,2026-03-02,day,NaN", "the hours “NaN”"),
        ("LO-01,2026-03-02,day,", "the hours “”"),
        ("LO-01,2026-03-02,day,1.25", "finer than a tenth"),
        (",2026-03-02,day,7", "no machine is named"),
        ("LO-01", "the date “”"),
    ],
)
def test_a_line_that_cannot_be_read_is_told_by_its_number(line, said):
    (problem,) = problems(HEAD + "LO-02,2026-03-01,day,8\n\n" + line + "\n")
    assert problem.startswith("Line 4: ")
    assert said in problem


def test_two_lines_that_disagree_are_told_and_a_repeated_one_is_not():
    found = read_usage((HEAD + "LO-01,2026-03-02,day,7\n" * 2 + "LO-01,2026-03-02,day,8\n").encode())
    assert len(found.lines) == 1
    assert found.problems == ["Line 4: 8.0 hours; line 2 says 7.0 of the same shift."]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "machine and date and hours not found"),
        (b"plant,when,for\nLO-01,2026-03-02,7\n", "machine and date and hours not found"),
        (HEAD.encode(), "nothing below it"),
        (b"PK\x03\x04\x00\x00", "no file of text"),
        (b"x" * (MAX_BYTES + 1), "larger than 2 MB"),
    ],
)
def test_a_file_that_is_none_is_told_so(content, said):
    assert said in problems(content)[0]


@given(st.binary(max_size=300))
def test_no_file_is_an_error_of_the_program(content):
    read_usage(content)
    read_usage(HEAD.encode() + content)
