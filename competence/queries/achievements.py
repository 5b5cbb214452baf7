"""What a ticket or a passed assessment amounts to, as strangers may read it: of categories, never people."""

from decimal import Decimal

from competence.models import StandardVersion, Ticket
from competence.queries.signing import address_of
from competence.queries.tickets import standard_on
from competence.rules.credentials import Achievement

TICKET_WORDS = {"full": "Full", "trainee": "Trainee, supervised"}
PRACTICAL = "practical"


def achievement_of(version: StandardVersion, what: str) -> Achievement:
    """``what``: a ticket's level, or ``practical``. One statement, for the standard's lines."""
    address = address_of("issuer-achievement", version.category.code, version.number, what)
    name = version.category.name
    if what == PRACTICAL:
        pass_mark = f"{Decimal(version.pass_mark):.0%}"
        return Achievement(
            address,
            f"Practical assessment: {name}",
            "Watched by an appointed assessor at the machine, the walk-around was competent.",
            f"By version {version.number} of the standard: at least {pass_mark} of the weighted marks, no "
            "critical point missed or unsafe, and no order that is a safety matter broken.",
            kind="Assessment",
        )
    titles = [line.title for line in version.requirements.order_by("pk")]
    asked = "; ".join(titles) if what == "full" else "to be supervised at every start by a full ticket holder"
    return Achievement(
        address,
        f"Ticket: {name} ({TICKET_WORDS[what]})",
        f"May operate plant of the category {name}, within the ticket's conditions and only while the "
        "register's gate says yes at the machine.",
        f"By version {version.number} of the standard: {asked}.",
    )


def standard_of(ticket: Ticket) -> StandardVersion | None:
    """The version by which a ticket was last issued or renewed; else the one in force when it began. At most
    two statements."""
    by = ticket.events.filter(standard_version__isnull=False).order_by("-recorded_at", "-sequence")
    event = by.select_related("standard_version__category").first()
    return event.standard_version if event else standard_on(ticket.category, ticket.first_day)
