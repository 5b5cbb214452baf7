"""Each reason of the gate, written out once: what is wrong, what puts it right, whose move."""

from collections.abc import Iterable
from datetime import date, timedelta
from functools import cache
from typing import Protocol

from .reasons import Move, Reason, ReasonCode, long_date
from .requirements import Finding, Met, RequirementKind

ENDS_TONIGHT = (
    "This ticket ends at midnight tonight. This shift is judged at its start; "
    "the next one will be refused unless the ticket is renewed."
)


class Named(Protocol):
    """A person as sentences name them."""

    @property
    def number(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def was_entered(self) -> bool: ...


OPERATOR_UNKNOWN = Reason(
    ReasonCode.OPERATOR_UNKNOWN,
    "Nobody with this number is on the register.",
    "Check the number. If it is right, the site admin enters the person on the register.",
    Move.SITE_ADMIN,
)
MACHINE_UNKNOWN = Reason(
    ReasonCode.MACHINE_UNKNOWN,
    "No machine with this fleet number is on the register.",
    "Check the fleet number on the machine. If it is right, the site admin enters the machine.",
    Move.SITE_ADMIN,
)
MACHINE_NOT_THEN = Reason(
    ReasonCode.MACHINE_UNKNOWN,
    "This machine was not on the register at that moment.",
    "Ask about a later moment. If the machine was here by then, the site admin enters that.",
    Move.SITE_ADMIN,
)
SUPERVISOR_MISSING = Reason(
    ReasonCode.SUPERVISOR_MISSING,
    "This is a trainee ticket and no supervising operator was named.",
    "Name a supervising operator who holds a full ticket for this machine and is with you now.",
    Move.OPERATOR,
)
SUPERVISOR_UNKNOWN = Reason(
    ReasonCode.SUPERVISOR_MISSING,
    "The supervising operator who was named is not on the register.",
    "Check the operator number, and name a supervising operator who is on the register.",
    Move.OPERATOR,
)
SUPERVISOR_IS_TRAINEE = Reason(
    ReasonCode.SUPERVISOR_IS_TRAINEE,
    "The trainee and the supervising operator are the same person.",
    "Name somebody else, who holds a full ticket for this machine and is with you now.",
    Move.OPERATOR,
)


def inactive(person: Named) -> Reason:
    if not person.was_entered:
        return Reason(
            ReasonCode.OPERATOR_INACTIVE,
            f"{person.name} ({person.number}) was not on the register at that moment.",
            "Ask about a later moment. If the person was here by then, the site admin enters that.",
            Move.SITE_ADMIN,
        )
    return Reason(
        ReasonCode.OPERATOR_INACTIVE,
        f"{person.name} ({person.number}) is not active on the register.",
        "The site admin makes the entry active again, if the person is back at work.",
        Move.SITE_ADMIN,
    )


def out_of_service(number: str) -> Reason:
    return Reason(
        ReasonCode.MACHINE_OUT_OF_SERVICE,
        f"{number} is entered as out of service.",
        "The site admin returns the machine to service on the register, if it is fit to work.",
        Move.SITE_ADMIN,
    )


@cache
def no_standard(category_name: str) -> Reason:
    return Reason(
        ReasonCode.STANDARD_MISSING,
        f"No standard is in force for {category_name}, so nobody can be shown to meet it.",
        "A trainer puts a version of the standard in force for this category.",
        Move.TRAINER,
    )


@cache
def no_ticket(category_name: str) -> Reason:
    return Reason(
        ReasonCode.TICKET_MISSING,
        f"No ticket covers {category_name}.",
        "Ask a trainer what the standard asks for: training, practical assessment and paper, then a ticket.",
        Move.TRAINER,
    )


def not_started(number: str, first_day: date) -> Reason:
    return Reason(
        ReasonCode.TICKET_NOT_STARTED,
        f"Ticket {number} does not start until {long_date(first_day)}.",
        f"Wait until {long_date(first_day)}, or ask a trainer whether the first day is right.",
        Move.TRAINER,
    )


def ended(number: str, last_day: date) -> Reason:
    return Reason(
        ReasonCode.TICKET_ENDED,
        f"Ticket {number} ended on {long_date(last_day)}.",
        "A trainer re-assesses you at the machine and renews the ticket.",
        Move.TRAINER,
        since=last_day + timedelta(days=1),
    )


def suspended(number: str, since: date) -> Reason:
    return Reason(
        ReasonCode.TICKET_SUSPENDED,
        f"Ticket {number} is suspended.",
        "A trainer looks at why it was suspended and, when that is put right, reinstates it.",
        Move.TRAINER,
        since=since,
    )


def withdrawn(number: str, since: date) -> Reason:
    return Reason(
        ReasonCode.TICKET_WITHDRAWN,
        f"Ticket {number} was withdrawn.",
        "A withdrawn ticket cannot be reinstated: the full route, then a new issue by a trainer.",
        Move.TRAINER,
        since=since,
    )


def wrong_site(number: str, site_name: str, sites: frozenset[str]) -> Reason:
    return Reason(
        ReasonCode.CONDITION_SITE,
        f"Ticket {number} does not count at {site_name}: "
        f"it is limited to {', '.join(sorted(sites)) or 'no site'}.",
        "A trainer varies the ticket's conditions, once you have been assessed for this site.",
        Move.TRAINER,
    )


def too_heavy(number: str, mass_kg: int, limit_kg: int) -> Reason:
    return Reason(
        ReasonCode.CONDITION_MASS,
        f"Ticket {number} is limited to {limit_kg:,} kg operating mass; this machine is {mass_kg:,} kg.",
        "Take a machine within the limit, or ask a trainer for assessment on the heavier one.",
        Move.TRAINER,
    )


def mass_unknown(number: str, machine: str, limit_kg: int) -> Reason:
    return Reason(
        ReasonCode.CONDITION_MASS_UNKNOWN,
        f"Ticket {number} is limited to {limit_kg:,} kg and the operating mass of {machine} is not entered.",
        "The site admin enters the operating mass from the machine's plate or manual.",
        Move.SITE_ADMIN,
    )


def wrong_attachment(number: str, beyond: frozenset[str]) -> Reason:
    return Reason(
        ReasonCode.CONDITION_ATTACHMENT,
        f"Ticket {number} does not allow what is fitted: {', '.join(sorted(beyond))}.",
        "Have the attachment changed, or ask a trainer for assessment with it.",
        Move.TRAINER,
    )


def dark(number: str, site_name: str) -> Reason:
    return Reason(
        ReasonCode.CONDITION_DAYLIGHT,
        f"Ticket {number} is for daylight only, and the sun is down at {site_name}.",
        "Wait for sunrise, or ask a trainer for assessment in the dark.",
        Move.OPERATOR,
    )


def daylight_unknown(number: str, site_name: str) -> Reason:
    return Reason(
        ReasonCode.CONDITION_DAYLIGHT_UNKNOWN,
        f"Ticket {number} is for daylight only, and the place of {site_name} is not entered, "
        "so sunrise is not known.",
        "The site admin enters the site's latitude and longitude.",
        Move.SITE_ADMIN,
    )


def supervisor_refused(supervisor: Named, against: Iterable[Reason]) -> Reason:
    """``against``: the supervisor's own reasons; none means that theirs is a trainee ticket too."""
    own = " ".join(reason.sentence for reason in against)
    why = f"is not authorised: {own}" if own else "holds a trainee ticket too."
    return Reason(
        ReasonCode.SUPERVISOR_NOT_AUTHORISED,
        f"Supervising operator {supervisor.name} ({supervisor.number}) {why}",
        "Name a supervising operator who holds a full ticket in force for this machine.",
        Move.OPERATOR,
    )


def not_confirmed(supervisor: Named) -> Reason:
    return Reason(
        ReasonCode.SUPERVISOR_NOT_CONFIRMED,
        f"{supervisor.name} ({supervisor.number}) has not confirmed that they are supervising you.",
        "The supervising operator confirms with their own sign-in.",
        Move.SUPERVISING_OPERATOR,
    )


LASTING_WORDS = {
    RequirementKind.INDUCTION: (
        ReasonCode.INDUCTION_NOT_MET,
        "site induction for {site}",
        "Have the site induction for {site}, and have it recorded.",
        Move.SITE_ADMIN,
    ),
    RequirementKind.FAMILIARISATION: (
        ReasonCode.FAMILIARISATION_NOT_MET,
        "familiarisation with {model}",
        "A trainer takes you through this model with its operator's manual, and records it.",
        Move.TRAINER,
    ),
    RequirementKind.MEDICAL: (
        ReasonCode.MEDICAL_NOT_MET,
        "medical",
        "Have the medical, and have the result recorded.",
        Move.SITE_ADMIN,
    ),
    RequirementKind.REFRESHER: (
        ReasonCode.REFRESHER_NOT_MET,
        "refresher",
        "Do the refresher training, and have the hours recorded.",
        Move.TRAINER,
    ),
    RequirementKind.RECALL: (
        ReasonCode.RECALL_NOT_MET,
        "refresher questions",
        "Answer the refresher questions on your own phone: five to eight of them, a few minutes. "
        "The start page has them.",
        Move.OPERATOR,
    ),
}


def _recall_not_met(finding: Finding) -> tuple[str, date | None]:
    """Said of questions, which are several; since when is the day after the last on which they counted."""
    if finding.met is Met.FAILED:
        return "Too few of the last refresher questions were answered right.", finding.since
    if finding.met is Met.ENDED and finding.since:
        due = f"The refresher questions were due by {long_date(finding.since)}."
        return due, finding.since + timedelta(days=1)
    return "No refresher questions are on record.", finding.since


def not_met(finding: Finding, site_name: str, machine_model: str) -> Reason:
    code, what, remedy, move = LASTING_WORDS[finding.requirement.kind]
    names = {"site": site_name, "model": machine_model}
    what, since = what.format(**names), finding.since
    if finding.requirement.kind is RequirementKind.RECALL:
        sentence, since = _recall_not_met(finding)
    elif finding.met is Met.FAILED:
        sentence = f"The last {what} was not passed."
    elif finding.met is Met.ENDED and since:
        sentence, since = f"The {what} ended on {long_date(since)}.", since + timedelta(days=1)
    elif finding.requirement.kind is RequirementKind.REFRESHER and since:
        sentence, since = f"A refresher was due by {long_date(since)}.", since + timedelta(days=1)
    elif finding.met is Met.SHORT:
        sentence = (
            f"The {what} on record is {finding.hours:,} h, of the {finding.requirement.hours:,} h needed."
        )
    else:
        sentence = f"No {what} is on record."
    return Reason(code, sentence, remedy.format(**names), move, since=since)
