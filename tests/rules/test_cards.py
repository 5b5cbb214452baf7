"""What a card says, and when it should be printed anew."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from competence.rules.cards import CardSaid, TicketSaid, claims, differences
from competence.rules.conditions import Conditions
from competence.rules.standing import Level

LONDON, SYDNEY = ZoneInfo("Europe/London"), ZoneInfo("Australia/Sydney")
ISSUED_AT = datetime(2026, 11, 25, 9, tzinfo=UTC)
LIMITED = Conditions(
    sites=frozenset({"THORN"}),
    max_operating_mass_kg=21_000,
    attachments=frozenset({"hammer", "bucket"}),
    daylight_only=True,
)
DIGGER = TicketSaid("excavator", Level.FULL, date(2027, 5, 14), Conditions())
DUMPER = TicketSaid("dumper", Level.TRAINEE, date(2027, 6, 30), LIMITED)


def a_card(*tickets, **more):
    return CardSaid(
        **{
            "name": "Ada Ashworth",
            "employer": "Earthworks Firm",
            "tickets": frozenset(tickets or {DIGGER, DUMPER}),
            "photograph": 1,
            "key_id": "key",
        }
        | more
    )


def said_by(card, zone=LONDON):
    return claims(
        number="ACDE3479",
        operator_number="OP1",
        said=card,
        zone=zone,
        issued_at=ISSUED_AT,
        places={DIGGER: "1.17", DUMPER: "1.4711"},
        site_names={"THORN": "Thornbeck Quarry"},
    )


def test_a_card_says_who_what_and_to_when():
    assert said_by(a_card()) == {
        "jti": "ACDE3479",
        "iat": 1795597200,
        "exp": 1814396400,
        "z": "Europe/London",
        "n": "Ada Ashworth",
        "o": "OP1",
        "e": "Earthworks Firm",
        "t": [
            {
                "c": "dumper",
                "l": "t",
                "d": "20270630",
                "s": "1.4711",
                "w": ["Thornbeck Quarry"],
                "m": 21_000,
                "a": ["bucket", "hammer"],
                "y": 1,
            },
            {"c": "excavator", "l": "f", "d": "20270514", "s": "1.17"},
        ],
    }


@pytest.mark.parametrize(
    ("zone", "end"),
    [(LONDON, datetime(2027, 6, 30, 23, tzinfo=UTC)), (SYDNEY, datetime(2027, 6, 30, 14, tzinfo=UTC))],
)
def test_a_card_counts_to_the_end_of_its_last_day_at_the_home_site(zone, end):
    assert said_by(a_card(), zone)["exp"] == end.timestamp()


def test_an_empty_set_of_attachments_is_not_any_attachment():
    bare = TicketSaid("excavator", Level.FULL, date(2027, 5, 14), Conditions(attachments=frozenset()))
    stated = claims(
        number="A",
        operator_number="OP1",
        said=a_card(bare),
        zone=LONDON,
        issued_at=ISSUED_AT,
        places={bare: "1.1"},
        site_names={},
    )
    assert stated["t"][0]["a"] == []


def test_a_card_without_a_ticket_says_nothing():
    with pytest.raises(ValueError, match="at least one ticket"):
        said_by(a_card(tickets=frozenset()))


def test_a_card_that_says_what_is_so_stays():
    assert differences(a_card(), a_card()) == []


@pytest.mark.parametrize(
    ("now", "why"),
    [
        (a_card(key_id="other"), "signed with a key that is no longer used"),
        (a_card(name="Ada Bellamy"), "the name was corrected"),
        (a_card(employer="Other Firm"), "another employer"),
        (a_card(photograph=2), "a newer photograph"),
        (a_card(photograph=None), "the photograph was taken away"),
        (a_card(DIGGER), "a ticket on it no longer counts"),
        (
            a_card(DIGGER, DUMPER, TicketSaid("roller", Level.FULL, date(2028, 1, 1), Conditions())),
            "a ticket is not on it",
        ),
        (
            a_card(DIGGER, TicketSaid("dumper", Level.FULL, date(2027, 6, 30), LIMITED)),
            "a ticket on it changed",
        ),
        (
            a_card(DIGGER, TicketSaid("dumper", Level.TRAINEE, date(2027, 7, 1), LIMITED)),
            "a ticket on it changed",
        ),
        (
            a_card(DIGGER, TicketSaid("dumper", Level.TRAINEE, date(2027, 6, 30), Conditions())),
            "a ticket on it changed",
        ),
    ],
)
def test_whatever_changed_asks_for_a_new_card(now, why):
    assert differences(a_card(), now) == [why]
