"""People's answers from a table of text: one row a person, one column a question, a header above."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from assessments.inputs.tables import lines_of
from assessments.rules.analysis_questions import NOT_ASKED, Picked, Responses

# What a column is called that says who answered.
PERSON_NAMES = frozenset(
    {"", "person", "name", "operator", "candidate", "sitting", "id", "number", "no", "#"}
)
RIGHT, WRONG = "1", "0"


class UnreadableResponses(ValueError):
    """The answers cannot be analysed; the text is one line, and says where."""


@dataclass(frozen=True)
class Key:
    """What is right at each question, and every choice that it offers where the key lists them."""

    right: Mapping[str, str]
    choices: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class ResponseTable:
    """``blanks``: how many cells were empty, and taken as wrong or as not asked."""

    responses: Responses
    blanks: int


def read_key(file: Path) -> Key:
    """Read ``question,right`` and, where there is a third column, its choices with spaces between.

    Raises ``UnreadableResponses``.
    """
    lines = lines_of(file, refused=UnreadableResponses)
    header, rows = lines[0][1], lines[1:]
    if len(header) not in (2, 3):
        raise UnreadableResponses(
            f"{file.name}: a key has the columns question, right and perhaps choices; this has {len(header)}."
        )
    if not rows:
        raise UnreadableResponses(f"{file.name} has a header and no questions under it.")
    right: dict[str, str] = {}
    choices: dict[str, tuple[str, ...]] = {}
    for line, cells in rows:
        _refuse_ragged(file, line, cells, header)
        question, answer = cells[:2]
        if not question or not answer:
            raise UnreadableResponses(f"{file.name}, line {line}: name a question and its right choice.")
        if question in right:
            raise UnreadableResponses(f"{file.name}, line {line}: {question} has a key already.")
        right[question] = answer
        if len(cells) == 3 and cells[2]:
            choices[question] = tuple(dict.fromkeys(cells[2].split()))
            if answer not in choices[question]:
                raise UnreadableResponses(
                    f"{file.name}, line {line}: {answer} is right at {question} and not among its choices, "
                    f"{', '.join(choices[question])}."
                )
    return Key(right, choices)


def read_responses(file: Path, *, key: Key | None = None, are_drawn: bool = False) -> ResponseTable:
    """Read marks of 0 and 1, or with a ``key`` the choices that people made.

    An empty cell is a question not answered, which is wrong; where sittings ``are_drawn`` from a bank it is
    one that was not asked. The first column says who answered where its name does, or where its cells are no
    answers. Columns are parted by commas, or by semicolons or tabs where the header has no comma. Raises
    ``UnreadableResponses``.
    """
    lines = lines_of(file, refused=UnreadableResponses)
    header, rows = lines[0][1], lines[1:]
    if not rows:
        raise UnreadableResponses(f"{file.name} has a header and no answers under it.")
    for line, cells in rows:
        _refuse_ragged(file, line, cells, header)
    first = 1 if _says_who(header, [cells[0] for _, cells in rows], key) else 0
    questions = header[first:]
    _refuse_questions(file, questions, key)
    if len(rows) < 2:
        raise UnreadableResponses(f"{file.name} has one person: it takes two to tell people apart.")
    answers = [(line, cells[first:]) for line, cells in rows]
    blank = NOT_ASKED if are_drawn else 0
    if key is None:
        found = Responses(tuple(questions), _marks(answers, questions, blank))
    else:
        found = _by_key(answers, questions, key, blank)
    blanks = sum(cell == "" for _, cells in answers for cell in cells)
    return ResponseTable(found, blanks)


def _says_who(header: list[str], cells: list[str], key: Key | None) -> bool:
    if key is not None:
        if header[0] in key.right:
            return False
    elif all(cell in (RIGHT, WRONG, "") for cell in cells):
        # People may be numbered 0 and 1, but then the column says so.
        return header[0].casefold() in PERSON_NAMES
    is_named = header[0].casefold() in PERSON_NAMES
    return is_named or ("" not in cells and not {RIGHT, WRONG} & set(cells) and len(set(cells)) == len(cells))


def _refuse_questions(file: Path, questions: list[str], key: Key | None) -> None:
    if not questions:
        raise UnreadableResponses(f"{file.name} has no column of answers.")
    if "" in questions:
        raise UnreadableResponses(
            f"{file.name}: question {questions.index('') + 1} has no name in the header."
        )
    if twice := [name for name in dict.fromkeys(questions) if questions.count(name) > 1]:
        raise UnreadableResponses(f"{file.name} has more than one column named {', '.join(twice)}.")
    if key is None:
        return
    if unkeyed := [question for question in questions if question not in key.right]:
        raise UnreadableResponses(f"The key has no answer for {', '.join(unkeyed)}.")
    if unasked := [question for question in key.right if question not in questions]:
        raise UnreadableResponses(
            f"The key has {', '.join(unasked)}, and {file.name} has no such column; it has "
            f"{', '.join(questions)}."
        )


def _marks(
    answers: list[tuple[int, list[str]]], questions: list[str], blank: int
) -> np.ndarray[tuple[int, int], np.dtype[np.int8]]:
    worth = {RIGHT: 1, WRONG: 0, "": blank}
    try:
        return np.array([[worth[cell] for cell in cells] for _, cells in answers], np.int8)
    except KeyError:
        line, question, cell = next(
            (line, question, cell)
            for line, cells in answers
            for question, cell in zip(questions, cells, strict=True)
            if cell not in worth
        )
        raise UnreadableResponses(
            f"Line {line}, {question}: “{cell}” is neither 0 nor 1. Where these are choices, give a --key."
        ) from None


def _by_key(answers: list[tuple[int, list[str]]], questions: list[str], key: Key, blank: int) -> Responses:
    marks = np.full((len(answers), len(questions)), blank, np.int8)
    picked = {}
    for place, question in enumerate(questions):
        given = np.array([cells[place] for _, cells in answers])
        listed = key.choices.get(question)
        known = listed or tuple(sorted({key.right[question], *given.tolist()} - {""}))
        is_known = np.isin(given, [*known, ""])
        if not is_known.all():
            at = int(np.argmin(is_known))
            raise UnreadableResponses(
                f"Line {answers[at][0]}: {question} has no choice “{given[at]}”; it has {', '.join(known)}."
            )
        marks[given != "", place] = 0
        marks[given == key.right[question], place] = 1
        picked[place] = Picked(
            known,
            tuple(choice == key.right[question] for choice in known),
            given[:, None] == np.array(known)[None, :],
        )
    return Responses(tuple(questions), marks, picked)


def _refuse_ragged(file: Path, line: int, cells: list[str], header: list[str]) -> None:
    if len(cells) != len(header):
        raise UnreadableResponses(
            f"{file.name}, line {line} has {len(cells)} fields and the header {len(header)}: leave a cell "
            "empty rather than out, and put what holds a comma in quotation marks."
        )
