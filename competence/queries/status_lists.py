"""Which bits of a published status list are set. It tells of places and of nobody."""

from collections.abc import Iterable
from datetime import date
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Exists, F, OuterRef, Q, QuerySet

from competence.models import Card, CardTicket, Credential, Evidence, StatusPlace, TicketEvent
from competence.rules.dates import day_at
from competence.rules.status_lists import LIST_FULL_AT, Purpose

Kind = TicketEvent.Kind


def places_set(list_number: int, purpose: Purpose) -> set[int]:
    """The places whose bit is set. Two statements; for refresh one.

    Revocation is read from what is only ever added (an event recorded after the card or credential, a
    correction of its evidence, a stop of the card itself), so it cannot be undone: a withdrawal that was a
    mistake is put right by a new card. Varied or corrected counts too, since what the card says may be more
    than is allowed now.
    """
    cards = CardTicket.objects.filter(status__list_number=list_number)
    credentials = Credential.objects.filter(status__list_number=list_number)
    if purpose is Purpose.REFRESH:
        return _places(cards.filter(_has_event("card__issued_at", [Kind.RENEWED]) | Exists(_newer_card())))
    if purpose is Purpose.SUSPENSION:
        stopped = Q(ticket__is_suspended=True)
        return _places(cards.filter(stopped | Q(card__operator__state__is_active=False))) | _places(
            credentials.filter(stopped | Q(operator__state__is_active=False, kind=Credential.Kind.TICKET))
        )
    changing = [Kind.WITHDRAWN, Kind.VARIED, Kind.CORRECTED]
    corrected = Exists(Evidence.objects.filter(corrects=OuterRef("evidence")))
    changed = _has_event("card__issued_at", changing)
    return _places(cards.filter(changed | Q(card__stop__isnull=False))) | _places(
        credentials.filter(_has_event("issued_at", changing) | corrected)
    )


def stopped_places(since: date) -> dict[str, str]:
    """The places of every ticket on a card that was stopped, of cards that counted on ``since`` or later,
    each with the day (YYYYMMDD) at its holder's home site on which it was. One statement."""
    stated = CardTicket.objects.filter(card__stop__isnull=False, card__last_day__gte=since)
    rows = stated.select_related("card__stop", "card__operator__state__site", "status").order_by("pk")
    return {
        str(one.status): f"{day_at(one.card.stop.stopped_at, ZoneInfo(one.card.operator.site.zone)):%Y%m%d}"
        for one in rows
    }


def _has_event(issued_at: str, kinds: list[str]) -> Exists:
    events = TicketEvent.objects.filter(kind__in=kinds, recorded_at__gt=OuterRef(issued_at))
    return Exists(events.filter(ticket=OuterRef("ticket")))


def _newer_card() -> QuerySet[Card]:
    newer = Card.objects.filter(operator=OuterRef("card__operator"))
    return newer.filter(
        Q(issued_at__gt=OuterRef("card__issued_at"))
        | Q(issued_at=OuterRef("card__issued_at"), pk__gt=OuterRef("card"))
    )


def _places(rows: QuerySet) -> set[int]:
    return set(rows.order_by().values_list(F("status__place"), flat=True))


def list_numbers() -> int:
    """How many lists there are: at least one, whether or not a place of it was given. One statement."""
    return StatusPlace.objects.order_by("-list_number").values_list("list_number", flat=True).first() or 1


def list_in_use() -> int:
    """The list that gives places now. Two statements."""
    newest = list_numbers()
    return newest + (StatusPlace.objects.filter(list_number=newest).count() >= LIST_FULL_AT)


def stopped_ids(credentials: Iterable[Credential]) -> dict[UUID, str]:
    """Of these credentials, each that does not hold now: "suspended" or "stopped for good". Four statements
    for each list that they stand in."""
    found: dict[UUID, str] = {}
    credentials = list(credentials)
    for number in {one.status.list_number for one in credentials}:
        suspended = places_set(number, Purpose.SUSPENSION)
        revoked = places_set(number, Purpose.REVOCATION)
        for one in credentials:
            if one.status.list_number == number and one.status.place in revoked:
                found[one.pk] = "Stopped for good"
            elif one.status.list_number == number and one.status.place in suspended:
                found[one.pk] = "Suspended"
    return found
