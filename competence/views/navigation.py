"""What every page's frame shows: who is signed in, the rooms that this account may enter, and the theme."""

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import reverse

from competence.models import Account, Role
from competence.permissions import Right, may, may_everywhere
from competence.queries.replica import current as current_reading


@dataclass(frozen=True)
class Room:
    """A way into one room. ``right`` opens it (none: everybody signed in); ``is_everywhere``: only a role
    that is held for every site does. ``also``: paths that belong to it beside its own."""

    label: str
    name: str
    right: Right | None = None
    also: tuple[str, ...] = ()
    is_everywhere: bool = False

    def is_open_to(self, account: Account) -> bool:
        if self.right is None:
            return True
        return (may_everywhere if self.is_everywhere else may)(account, self.right)


# Rooms that are used together stand under one word; a group of one is called as its room is.
GROUPS: tuple[tuple[str, tuple[Room, ...]], ...] = (
    ("Start", (Room("Start", "home"),)),
    ("Check a machine", (Room("Check a machine", "check-pick", Right.CHECK_MACHINE, ("/checks/",)),)),
    ("My record", (Room("My record", "my-record", Right.CHECK_MACHINE),)),
    ("My papers", (Room("My papers", "sitting-start", Right.SIT, ("/sittings/", "/refreshers/")),)),
    (
        "People",
        (
            Room("Operators", "operator-list", Right.SEE_RECORDS, ("/evidence/",)),
            Room("Tickets", "ticket-list", Right.SEE_RECORDS),
            Room("What runs out", "end-list", Right.SEE_RECORDS),
            Room("Who is away", "absence-list", Right.BOOK),
            Room("Ticket cards", "card-list", Right.PRINT_CARD),
            Room("Appointments", "appointment-list", Right.SEE_RECORDS),
            Room("Accounts", "account-list", Right.KEEP_PEOPLE),
            Room("Bring in a spreadsheet", "import-list", Right.KEEP_PEOPLE),
        ),
    ),
    (
        "Assessments",
        (
            Room("Assessments", "assessment-list", Right.SEE_ASSESSMENTS),
            Room("Bookings", "booking-list", Right.SEE_ASSESSMENTS),
            Room("Sittings", "sitting-list", Right.SEE_SITTINGS),
            Room("Cover", "cover-list", Right.SEE_RECORDS),
            Room("Plan", "plan-list", Right.BOOK),
            Room("Start an assessment", "assessment-start", Right.ASSESS),
            Room("Agreement", "agreement-list", Right.SEE_ASSESSMENTS),
            Room("Severity", "severity", Right.SEE_SEVERITY, is_everywhere=True),
        ),
    ),
    (
        "Questions",
        (
            Room("Questions", "question-list", Right.SEE_QUESTIONS),
            Room("Papers", "paper-list", Right.SEE_QUESTIONS, ("/panels/",)),
            Room("Question analysis", "analysis-list", Right.SEE_QUESTIONS, is_everywhere=True),
        ),
    ),
    (
        "Plant",
        (
            Room("Machines", "machine-list", Right.SEE_PLANT),
            Room("Defects", "defect-list", Right.SEE_CHECKS),
        ),
    ),
    (
        "Checks",
        (
            Room("Daily checks", "check-list", Right.SEE_CHECKS),
            Room("Refusals", "refusal-list", Right.SEE_CHECKS),
            Room("Missed checks", "missed-check-list", Right.SEE_CHECKS),
        ),
    ),
    (
        "Standards",
        (
            Room("Standards", "standard-list", Right.SEE_STANDARDS),
            Room("Checklists", "checklist-list", Right.SEE_STANDARDS),
        ),
    ),
    ("Ask the gate", (Room("Ask the gate", "gate", Right.ASK_GATE),)),
    (
        "Audit",
        (
            Room("Ask the record", "record", Right.ASK_RECORD),
            Room("Samples", "sample-list", Right.SAMPLE),
            Room("Workbook", "workbook", Right.TAKE_OUT),
            Room("Evidence pack", "evidence-pack", Right.TAKE_OUT),
            Room("Looks", "look-list", Right.SEE_LOOKS),
            Room("Keeping", "keeping", Right.TAKE_OUT),
        ),
    ),
    ("Journal", (Room("Journal", "journal", Right.SEE_JOURNAL),)),
    ("Set-up", (Room("Set-up", "setup:index", Right.KEEP_SETUP, is_everywhere=True),)),
)


@dataclass(frozen=True)
class Way:
    label: str
    url: str
    is_current: bool


def page_frame(request: HttpRequest) -> dict[str, Any]:
    """``navigation``: every room, for a phone's list; ``groups``: one way for each group; ``neighbours``: the
    rooms of the group that the page is in, where it has more than one; ``read_as_of``: the moment of the copy
    that the page was read from, where it was."""
    theme = request.COOKIES.get(settings.THEME_COOKIE_NAME, "auto")
    frame: dict[str, Any] = {"theme": theme if theme in ("light", "dark") else "auto", "navigation": []}
    if (reading := current_reading()) is not None:
        frame["read_as_of"] = reading.as_of
    account = getattr(request, "user", None)
    if account is None or not account.is_authenticated:
        return frame
    groups = _open_groups(account)
    here = _room_of(request.path, [room for _, rooms in groups for room in rooms])
    ways = {room: Way(room.label, reverse(room.name), room == here) for _, rooms in groups for room in rooms}
    current = next((rooms for _, rooms in groups if here in rooms), ())
    return frame | {
        "navigation": list(ways.values()),
        "groups": [_way_into(label, rooms, ways, rooms is current) for label, rooms in groups],
        "neighbours": [ways[room] for room in current] if len(current) > 1 else [],
        "signed_in_name": account.name,
        "roles_line": _roles_line(account),
    }


def _open_groups(account: Account) -> list[tuple[str, tuple[Room, ...]]]:
    groups = ((label, tuple(room for room in rooms if room.is_open_to(account))) for label, rooms in GROUPS)
    return [(label, rooms) for label, rooms in groups if rooms]


def _way_into(label: str, rooms: tuple[Room, ...], ways: dict[Room, Way], is_current: bool) -> Way:
    first = ways[rooms[0]]
    return Way(label if len(rooms) > 1 else first.label, first.url, is_current)


def _room_of(path: str, rooms: list[Room]) -> Room | None:
    """The room whose path the page's begins with; the longest counts, and of equals the last."""
    found, longest = None, 0
    for room in rooms:
        for beginning in (reverse(room.name), *room.also):
            is_within = path == beginning if beginning == "/" else path.startswith(beginning)
            if is_within and len(beginning) >= longest:
                found, longest = room, len(beginning)
    return found


def _roles_line(account: Account) -> str:
    """The roles held, in words: "Trainer, every site; site admin, Thornbeck Quarry"."""
    roles = [
        f"{Role.Name(role.name).label}, {role.site.name if role.site else 'every site'}"
        for role in account.held_roles
    ]
    return "; ".join([roles[0], *(role[0].lower() + role[1:] for role in roles[1:])]) if roles else ""
