"""Ticket cards: what one says, in as few letters as a code can hold, and whether it still says what is so.

The statement is a compact JWS (RFC 7515) with EdDSA (RFC 8037), read by ``static/competence/card_check.js``.
Its members: ``jti`` the card's number, ``iat`` and ``exp`` as in RFC 7519, ``z`` the home site's time zone,
``n`` name, ``o`` operator number, ``e`` employer, ``t`` the tickets. A ticket: ``c`` category code, ``l``
level (``f`` full, ``t`` trainee), ``d`` its last day (YYYYMMDD), ``s`` its place in the status lists
(``list.place``) and, where it has conditions, ``w`` the names of the only sites, ``m`` the greatest operating
mass in kg, ``a`` the codes of the only attachments, ``y`` 1 for daylight only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from .conditions import Conditions
from .dates import first_moment
from .standing import Level

# What the header of a card's statement says it is, so that nothing else signed by the same key passes for one
# (RFC 8725 section 3.11).
STATEMENT_TYPE = "card+jwt"
# And of the published list of cards that were stopped.
STOPPED_TYPE = "stopped-cards+jwt"
# The letters and digits that are not taken for one another when they are read out.
NUMBER_ALPHABET = "ACDEFGHJKLMNPQRTUVWXY34679"
NUMBER_LENGTH = 8


@dataclass(frozen=True, slots=True)
class TicketSaid:
    """One ticket as a card states it."""

    category: str
    level: Level
    last_day: date
    conditions: Conditions


@dataclass(frozen=True, slots=True)
class CardSaid:
    """What a card says of its holder; ``photograph`` is the key of the picture on it, if any, and ``key_id``
    the key that signed it."""

    name: str
    employer: str
    tickets: frozenset[TicketSaid]
    photograph: int | None
    key_id: str


def claims(
    *,
    number: str,
    operator_number: str,
    said: CardSaid,
    zone: ZoneInfo,
    issued_at: datetime,
    places: Mapping[TicketSaid, str],
    site_names: Mapping[str, str],
) -> dict[str, Any]:
    """The members of a card's statement. ``places``: where each ticket stands in the status lists.

    A card ends with the last of its tickets, after their last day at the home site. Raises ``ValueError``
    for a card without a ticket: there is nothing that it could say.
    """
    if not said.tickets:
        raise ValueError("a card states at least one ticket")
    tickets = in_order(said.tickets)
    return {
        "jti": number,
        "iat": int(issued_at.timestamp()),
        "exp": int(end_of(last_day_of(tickets), zone).timestamp()),
        "z": zone.key,
        "n": said.name,
        "o": operator_number,
        "e": said.employer,
        "t": [_ticket_claims(ticket, places[ticket], site_names) for ticket in tickets],
    }


def _ticket_claims(ticket: TicketSaid, place: str, site_names: Mapping[str, str]) -> dict[str, Any]:
    conditions = ticket.conditions
    stated: dict[str, Any] = {
        "c": ticket.category,
        "l": ticket.level.value[0],
        "d": f"{ticket.last_day:%Y%m%d}",
        "s": place,
    }
    if conditions.sites is not None:
        stated["w"] = sorted(site_names.get(code, code) for code in conditions.sites)
    if conditions.max_operating_mass_kg is not None:
        stated["m"] = conditions.max_operating_mass_kg
    if conditions.attachments is not None:
        stated["a"] = sorted(conditions.attachments)
    if conditions.daylight_only:
        stated["y"] = 1
    return stated


def in_order(tickets: Iterable[TicketSaid]) -> list[TicketSaid]:
    return sorted(tickets, key=lambda one: one.category)


def last_day_of(tickets: Iterable[TicketSaid]) -> date:
    return max(ticket.last_day for ticket in tickets)


def end_of(day: date, zone: ZoneInfo) -> datetime:
    """The first instant after a last day, which counts to its end."""
    return first_moment(day + timedelta(days=1), zone)


def differences(said: CardSaid, now: CardSaid) -> list[str]:
    """Why a card should be printed anew, in words; empty while it says what the register says now."""
    words = []
    if said.key_id != now.key_id:
        words.append("signed with a key that is no longer used")
    if said.name != now.name:
        words.append("the name was corrected")
    if said.employer != now.employer:
        words.append("another employer")
    words += _ticket_differences(in_order(said.tickets), in_order(now.tickets))
    if said.photograph != now.photograph:
        since = "a newer photograph" if said.photograph else "a photograph since"
        words.append(since if now.photograph else "the photograph was taken away")
    return words


def _ticket_differences(said: Sequence[TicketSaid], now: Sequence[TicketSaid]) -> list[str]:
    before = {ticket.category: ticket for ticket in said}
    after = {ticket.category: ticket for ticket in now}
    words = []
    if before.keys() - after.keys():
        words.append("a ticket on it no longer counts")
    if after.keys() - before.keys():
        words.append("a ticket is not on it")
    if any(before[code] != after[code] for code in before.keys() & after.keys()):
        words.append("a ticket on it changed")
    return words
