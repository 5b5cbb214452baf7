"""Two raters' marks from a table of text: one row a point, one column a rater, a header above."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path

from assessments.inputs.tables import lines_of
from assessments.rules.agreement import DoubleMark


class UnreadableMarks(ValueError):
    """The marks cannot be compared; the text is one line, and says where."""


@dataclass(frozen=True)
class MarkColumns:
    """Two raters and their marks. ``categories`` are least first where ``is_ordered``."""

    raters: tuple[str, str]
    marks: tuple[DoubleMark, ...]
    categories: tuple[str, ...]
    is_ordered: bool


def read_marks(
    file: Path, *, columns: Sequence[str] | None = None, order: Sequence[str] | None = None
) -> MarkColumns:
    """Read the two ``columns`` named, or else the first two.

    The categories follow ``order``, least first; without it numbers go by size, and words as they come,
    unordered. Columns are parted by commas, or by semicolons or tabs where the header has no comma. Raises
    ``UnreadableMarks``.
    """
    lines = lines_of(file, refused=UnreadableMarks)
    header, rows = lines[0][1], lines[1:]
    at = _chosen(header, columns)
    if not rows:
        raise UnreadableMarks(f"{file.name} has a header and no marks under it.")
    pairs = [_pair(line, cells, header, at) for line, cells in rows]
    given = list(dict.fromkeys(mark for _, *pair in pairs for mark in pair))
    if order is not None:
        categories, is_ordered = _by_order(order, given), True
    elif all(_number(mark) is not None for mark in given):
        # 1 and 1.0 are one mark, written as it first comes.
        spelt = {number: mark for mark in reversed(given) if (number := _number(mark)) is not None}
        pairs = [(line, spelt[Decimal(first)], spelt[Decimal(second)]) for line, first, second in pairs]
        categories, is_ordered = tuple(spelt[number] for number in sorted(spelt)), True
    else:
        categories, is_ordered = tuple(given), False
    return MarkColumns(
        raters=(header[at[0]], header[at[1]]),
        marks=tuple(DoubleMark(line, f"Line {line}", first, second) for line, first, second in pairs),
        categories=categories,
        is_ordered=is_ordered,
    )


def _chosen(header: list[str], columns: Sequence[str] | None) -> tuple[int, int]:
    if columns is None:
        if len(header) < 2:
            raise UnreadableMarks("There is one column; two raters take two.")
        columns = header[:2]
    for name in columns:
        if header.count(name) != 1:
            told = "no column" if name not in header else "more than one column"
            raise UnreadableMarks(f'There is {told} named "{name}"; the header says {", ".join(header)}.')
    first, second = map(header.index, columns)
    if first == second:
        raise UnreadableMarks("Name two different columns: a rater always agrees with themself.")
    return first, second


def _pair(line: int, cells: list[str], header: list[str], at: tuple[int, int]) -> tuple[int, str, str]:
    if len(cells) > len(header):
        raise UnreadableMarks(
            f"Line {line} has {len(cells)} columns and the header {len(header)}: put a mark that holds a "
            "comma in quotation marks."
        )
    for n in at:
        if n >= len(cells) or not cells[n]:
            raise UnreadableMarks(
                f"Line {line} has no mark from {header[n]}: leave out the rows that only one of them marked."
            )
    return line, cells[at[0]], cells[at[1]]


def _by_order(order: Sequence[str], given: list[str]) -> tuple[str, ...]:
    listed = tuple(mark.strip() for mark in order)
    if "" in listed or len(set(listed)) < len(listed):
        raise UnreadableMarks("The order names a mark twice, or leaves one blank.")
    missing = [mark for mark in given if mark not in listed]
    if missing:
        raise UnreadableMarks(f"The order leaves out {', '.join(missing)}.")
    return listed


def _number(mark: str) -> Decimal | None:
    try:
        number = Decimal(mark)
    except InvalidOperation:
        return None
    return number if number.is_finite() else None
