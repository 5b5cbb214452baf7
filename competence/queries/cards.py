"""Cards: what one would say now, whose card is missing or out of date, and what is on one to print."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import Exists, F, OuterRef, Prefetch, Q, QuerySet, Subquery, Value
from django.db.models.functions import Concat

from competence.models import (
    Card,
    CardStop,
    CardTicket,
    Operator,
    OperatorPhotograph,
    OperatorState,
    Ticket,
    TicketEvent,
)
from competence.models.base import ERASED_DIGEST
from competence.queries.signing import key_id
from competence.queries.ticket_lists import in_state, today_at, zones
from competence.queries.tickets import column_standing
from competence.queries.words import holding
from competence.rules.cards import CardSaid, TicketSaid, differences
from competence.rules.conditions import Conditions
from competence.rules.dates import day_at
from competence.rules.reasons import long_date
from competence.rules.standing import Level, State

STATE_CHOICES = (("wanted", "To be printed"), ("none", "No card"), ("old", "Out of date"))


@dataclass(frozen=True)
class CardsAsked:
    """What the list of operators is narrowed to; empty narrows nothing. ``state``: of STATE_CHOICES."""

    text: str = ""
    site: str = ""
    employer: str = ""
    state: str = ""


@dataclass(frozen=True)
class CardRow:
    """One operator of the list: their card, if any, and why it should be printed anew."""

    operator: Operator
    card: Card | None
    tickets: tuple[Ticket, ...]
    why: tuple[str, ...]

    @property
    def stop(self) -> CardStop | None:
        """That their card was stopped, and when."""
        return getattr(self.card, "stop", None)

    @property
    def is_wanted(self) -> bool:
        return self.card is None or bool(self.why)


def countable(operator: Operator, tickets: Iterable[Ticket], moment: datetime) -> tuple[Ticket, ...]:
    """Of an operator's tickets those in force today at their home site: what a card may say. No statement."""
    today = today_at(operator.site, moment)
    held = ((ticket, column_standing(ticket)) for ticket in tickets)
    return tuple(ticket for ticket, one in held if one and one.state_on(today) is State.IN_FORCE)


def ticket_said(ticket: Ticket) -> TicketSaid:
    return TicketSaid(
        ticket.category.code,
        Level(ticket.level),
        ticket.last_day,
        Conditions.from_plain(ticket.conditions),
    )


def would_say(operator: Operator, tickets: Iterable[Ticket], photograph: int | None) -> CardSaid:
    """What a card issued now would say. No statement, for an operator who comes with their state."""
    return CardSaid(
        operator.name,
        operator.state.employer.name,
        frozenset(ticket_said(ticket) for ticket in tickets),
        photograph,
        key_id(),
    )


def said_by(card: Card) -> CardSaid:
    """What a card said. No statement, for one of ``with_content``."""
    return CardSaid(
        card.name,
        card.employer_name,
        frozenset(
            TicketSaid(
                stated.ticket.category.code,
                Level(stated.level),
                stated.last_day,
                Conditions.from_plain(stated.conditions),
            )
            for stated in card.stated.all()
        ),
        card.photograph_id,
        card.key_id,
    )


def with_content(cards: QuerySet[Card]) -> QuerySet[Card]:
    """Cards with everything that is printed on them. Two statements."""
    stated = CardTicket.objects.select_related("ticket__category", "status").order_by(
        "ticket__category__code"
    )
    return cards.select_related("operator__state__site", "photograph", "stop").prefetch_related(
        Prefetch("stated", stated)
    )


def latest_photograph(operator: Operator) -> OperatorPhotograph | None:
    """The newest that was not taken away."""
    return _pictures().filter(operator=operator).order_by("-recorded_at", "-pk").first()


def _pictures() -> QuerySet[OperatorPhotograph]:
    return OperatorPhotograph.objects.exclude(photograph_sha256=ERASED_DIGEST).select_related("recorded_by")


def _newest(rows: QuerySet, order: str) -> Subquery:
    return Subquery(rows.filter(operator=OuterRef("pk")).order_by(f"-{order}", "-pk").values("pk")[:1])


def holders(asked: CardsAsked, site_ids: frozenset[int] | None, moment: datetime) -> QuerySet[Operator]:
    """Active operators with a ticket in force, by name; by state only roughly: with "old" and "wanted" also
    some whose card turns out to be right. At most one statement here, for the sites' time zones."""
    in_force = in_state("in_force", moment, zones())
    found = (
        Operator.objects.with_state()
        .at_sites(site_ids)
        .filter(Exists(Ticket.objects.filter(in_force, operator=OuterRef("pk"))), state__is_active=True)
        .annotate(
            newest_card=_newest(Card.objects.all(), "issued_at"),
            newest_photograph=_newest(_pictures(), "recorded_at"),
        )
    )
    found = holding(found, asked.text, "number", "given_name", "family_name")
    if asked.site:
        found = found.filter(state__site__code=asked.site)
    if asked.employer.isdecimal():
        found = found.filter(state__employer_id=int(asked.employer))
    if asked.state == "none":
        found = found.filter(newest_card=None)
    elif asked.state == "old":
        found = found.filter(_may_be_old(in_force))
    elif asked.state == "wanted":
        found = found.filter(Q(newest_card=None) | _may_be_old(in_force))
    return found.prefetch_related(
        Prefetch("tickets", Ticket.objects.select_related("category").order_by("category__code"))
    ).order_by("family_name", "given_name", "number")


def _may_be_old(in_force: Q) -> Q:
    """Something happened since the newest card that could make it say what is not so."""
    card = Card.objects.filter(pk=OuterRef("newest_card"))
    recorded_since = Q(recorded_at__gt=OuterRef("issued_at"))
    happened = TicketEvent.objects.filter(recorded_since, ticket__operator=OuterRef("operator"))
    moved = OperatorState.objects.filter(recorded_since, operator=OuterRef("operator"))
    stated = CardTicket.objects.filter(card=OuterRef("pk"))
    held = Ticket.objects.filter(in_force, operator=OuterRef("operator"))
    on_it = CardTicket.objects.filter(card=OuterRef(OuterRef("pk")), ticket=OuterRef("pk"))
    differs = (
        Q(stop__isnull=False)
        | Q(photograph__photograph_sha256=ERASED_DIGEST)
        | Exists(happened)
        | Exists(moved)
        | ~Q(key_id=key_id())
        | ~Q(name=Concat(F("operator__given_name"), Value(" "), F("operator__family_name")))
        # Begun or ended since, without anybody writing anything down.
        | Exists(held.filter(~Exists(on_it)))
        | Exists(stated.filter(~Exists(Ticket.objects.filter(in_force, pk=OuterRef("ticket")))))
    )
    newer_picture = OperatorPhotograph.objects.filter(
        operator=OuterRef("operator"), recorded_at__gt=OuterRef("issued_at")
    )
    return Exists(card.filter(differs | Exists(newer_picture)))


def card_rows(operators: Sequence[Operator], moment: datetime) -> list[CardRow]:
    """Rows for operators of ``holders``, each with its card held against what it would say now. Two
    statements, for the cards."""
    newest = [operator.newest_card for operator in operators if operator.newest_card]
    cards = {card.pk: card for card in with_content(Card.objects.filter(pk__in=newest))}
    rows = []
    for operator in operators:
        card = cards.get(operator.newest_card)
        tickets = countable(operator, operator.tickets.all(), moment)
        now = would_say(operator, tickets, operator.newest_photograph)
        rows.append(CardRow(operator, card, tickets, _why_old(card, now)))
    return rows


def wanted_rows(asked: CardsAsked, site_ids: frozenset[int] | None, moment: datetime) -> list[CardRow]:
    """Where the list is narrowed to cards that are out of date: each that may be, held against the register.
    Six statements."""
    return [row for row in card_rows(list(holders(asked, site_ids, moment)), moment) if row.is_wanted]


def own_row(operator: Operator, moment: datetime) -> CardRow:
    """One operator's card, whether or not they hold a ticket in force. Five statements."""
    card = with_content(Card.objects.filter(operator=operator)).order_by("-issued_at", "-pk").first()
    held = operator.tickets.select_related("category").order_by("category__code")
    tickets = countable(operator, held, moment)
    photograph = latest_photograph(operator)
    now = would_say(operator, tickets, photograph.pk if photograph else None)
    return CardRow(operator, card, tickets, _why_old(card, now))


def _why_old(card: Card | None, now: CardSaid) -> tuple[str, ...]:
    """Why a card, if there is one, should be printed anew."""
    if card is None:
        return ()
    stop = getattr(card, "stop", None)
    stopped = [f"stopped on {long_date(day_at(stop.stopped_at, zone_of(card.operator)))}"] if stop else []
    return (*stopped, *differences(said_by(card), now))


def zone_of(operator: Operator) -> ZoneInfo:
    return ZoneInfo(operator.site.zone)
