"""The sheets of a workbook: what each holds, and its columns in the order in which its rows come."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from competence.outputs.typed_sheets import Column, Type
from competence.queries import workbook_checks as checks
from competence.queries import workbook_people as people
from competence.queries.workbook import Names, Slice

PERSON = (Column("Operator", 9), Column("Name", 18, Type.LONG))
KEY = Column("Key in the journal", 10)
LONG_KEY = Column("Key in the journal", 20, Type.LONG)


@dataclass(frozen=True)
class Sheet:
    """One sheet. ``kind``: what the journal calls its rows, so that each is found there by its key.
    ``about``: which rows it holds, for the front sheet."""

    title: str
    kind: str
    about: str
    columns: tuple[Column, ...]
    found: Callable[[Slice], QuerySet]
    rows: Callable[[Slice, Names], Iterator[tuple[Any, ...]]]


OPERATORS = Sheet(
    "Operators",
    "competence.operatorstate",
    "Everybody on the register then, by home site and employer as they were then.",
    (
        Column("Operator", 10),
        Column("Family name", 18),
        Column("Given name", 16),
        Column("Started on", 11, Type.DAY),
        Column("Active", 9, marked=("No",)),
        Column("Home site", 20, Type.LONG),
        Column("Employer", 20, Type.LONG),
        Column("So since", 16, Type.MOMENT),
        Column("Recorded at", 16, Type.MOMENT),
        Column("Reason", 30, Type.LONG),
        KEY,
    ),
    people.operators_then,
    people.operator_rows,
)

TICKETS = Sheet(
    "Tickets",
    "competence.ticket",
    "What each ticket amounted to then: the fold of its events, its state on the home site's day.",
    (
        Column("Ticket", 11),
        *PERSON,
        Column("Home site", 18, Type.LONG),
        Column("Employer", 18, Type.LONG),
        Column("Category", 17, Type.LONG),
        Column("Level", 12, Type.LONG),
        Column("State then", 14, marked=("Ended", "Suspended", "Withdrawn", "Struck out")),
        Column("First day", 11, Type.DAY),
        Column("Last day", 18, Type.DAY, is_marked_past=True),
        Column("Conditions", 28, Type.LONG),
        Column("So since", 16, Type.MOMENT),
        KEY,
    ),
    people.tickets_then,
    people.ticket_rows,
)

TICKET_EVENTS = Sheet(
    "Ticket events",
    "competence.ticketevent",
    "What happened to those tickets, and by whom it was decided; corrected events stay, and say so.",
    (
        Column("Ticket", 11),
        Column("No.", 5, Type.WHOLE),
        *PERSON,
        Column("Category", 17, Type.LONG),
        Column("Event", 11),
        Column("Took effect", 16, Type.MOMENT),
        Column("Recorded at", 16, Type.MOMENT),
        Column("Recorded by", 15, Type.LONG),
        Column("Level", 12, Type.LONG),
        Column("First day", 11, Type.DAY),
        Column("Last day", 11, Type.DAY),
        Column("Conditions", 24, Type.LONG),
        Column("Standard version", 10, Type.WHOLE),
        Column("Known then as", 13, Type.LONG, marked=("Struck out", "Corrected")),
        Column("Reason", 30, Type.LONG),
        KEY,
    ),
    people.ticket_events_then,
    people.ticket_event_rows,
)

EVIDENCE = Sheet(
    "Evidence",
    "competence.evidence",
    "Dated facts about those people; corrected rows stay, and say so. How long one counts where its own "
    "paper does not say is a rule of the standard.",
    (
        *PERSON,
        Column("Home site", 18, Type.LONG),
        Column("Kind", 15, Type.LONG),
        Column("Category", 17, Type.LONG),
        Column("Site", 17, Type.LONG),
        Column("Make and model", 15, Type.LONG),
        Column("Happened on", 11, Type.DAY),
        Column("Passed or done", 9, marked=("No",)),
        Column("Counts to, by its paper", 18, Type.DAY, is_marked_past=True),
        Column("Hours", 8, Type.NUMBER),
        Column("Came from", 26, Type.LONG),
        Column("Known then as", 13, Type.LONG, marked=("Struck out", "Corrected")),
        Column("Why corrected", 18, Type.LONG),
        Column("Recorded at", 16, Type.MOMENT),
        Column("Recorded by", 15, Type.LONG),
        KEY,
    ),
    people.evidence_then,
    people.evidence_rows,
)

CHECKS = Sheet(
    "Daily checks",
    "competence.dailycheck",
    "Checks submitted at those sites by then; drafts are no record.",
    (
        Column("Submitted", 16, Type.MOMENT),
        Column("Started", 16, Type.MOMENT),
        Column("Site", 17, Type.LONG),
        Column("Machine", 9),
        Column("Category", 17, Type.LONG),
        Column("Checklist version", 10, Type.WHOLE),
        *PERSON,
        Column("Supervising operator", 11),
        Column("On ticket", 11),
        Column("Hour meter", 11, Type.NUMBER),
        Column("Note on the meter", 16, Type.LONG),
        Column("Result", 13, marked=("Do not use",)),
        Column("Why", 28, Type.LONG),
        Column("Defects", 10, Type.WHOLE),
        Column("Not reached", 11, Type.WHOLE),
        LONG_KEY,
    ),
    checks.checks_then,
    checks.check_rows,
)

REFUSALS = Sheet(
    "Refusals",
    "competence.refusal",
    "Checks that the gate stopped at those sites by then, with every reason as the operator read it.",
    (
        Column("Refused at", 16, Type.MOMENT),
        Column("Site", 17, Type.LONG),
        Column("Machine", 9),
        *PERSON,
        Column("Supervising operator", 11),
        Column("Reasons", 11, Type.WHOLE),
        Column("What was wrong", 48, Type.LONG),
        Column("What puts it right", 48, Type.LONG),
        LONG_KEY,
    ),
    checks.refusals_then,
    checks.refusal_rows,
)

DEFECTS = Sheet(
    "Defects",
    "competence.defect",
    "Defects found at those sites by then, with the grade and the state that they had then.",
    (
        Column("Found at", 16, Type.MOMENT),
        Column("Site", 17, Type.LONG),
        Column("Machine", 9),
        Column("Category", 17, Type.LONG),
        Column("Point", 18, Type.LONG),
        Column("Grade then", 11, marked=("Stop use",)),
        Column("Note", 28, Type.LONG),
        *PERSON,
        Column("Seen again", 9, Type.WHOLE),
        Column("State then", 10, marked=("Open",)),
        Column("Closed at", 16, Type.MOMENT),
        Column("Closed by", 15, Type.LONG),
        Column("What was done", 28, Type.LONG),
        KEY,
    ),
    checks.defects_then,
    checks.defect_rows,
)
