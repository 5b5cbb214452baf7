"""Reading only the evidence that can matter finds the same ends as reading all of it."""

import random
from datetime import timedelta

import pytest
from django.utils import timezone

from assessments.queries.ends import EndsAsked, ends_asked
from assessments.rules.ends import lasting_ends
from competence.models import Operator
from competence.queries.gate import people_facts
from competence.queries.roster import known_standards
from tests.factories import (
    CategoryFactory,
    EvidenceFactory,
    OperatorFactory,
    RequirementFactory,
    SiteFactory,
    StandardVersionFactory,
    TicketFactory,
)
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db

LASTING_MONTHS = {"medical": (24, 11), "induction": (12, None), "refresher": (12, 6)}


def a_category(place):
    category = CategoryFactory()
    version = StandardVersionFactory(category=category, requirements=[])
    for kind, months in LASTING_MONTHS.items():
        RequirementFactory(
            version=version,
            kind=kind,
            months=months[place],
            hours=8 if kind == "refresher" else None,
        )
    return category


def some_evidence(chance, operator, kind):
    happened = chance.randint(0, 800)
    ends = days_ago(chance.randint(-400, happened)) if chance.random() < 0.4 else None
    corrects = (
        operator.evidence.filter(kind=kind, corrected_by=None).first() if chance.random() < 0.2 else None
    )
    EvidenceFactory(
        operator=operator,
        kind=kind,
        occurred_on=days_ago(happened),
        is_met=chance.random() < 0.85,
        counts_to=ends,
        hours=chance.choice([4, 8]) if kind == "refresher" else None,
        corrects=corrects,
    )


@pytest.mark.parametrize("seed", range(3))
def test_what_ends_is_what_the_whole_evidence_says_ends(seed):
    chance = random.Random(seed)  # noqa: S311
    categories = [a_category(0), a_category(1)]
    site = SiteFactory(zone="UTC")
    for _ in range(12):
        operator = OperatorFactory(site=site, started_on=days_ago(chance.randint(100, 900)))
        for category in chance.sample(categories, chance.randint(1, 2)):
            TicketFactory(operator=operator, category=category)
        for _ in range(chance.randint(0, 7)):
            some_evidence(chance, operator, chance.choice(list(LASTING_MONTHS)))
    moment = timezone.now()
    standards = {code: versions[-1] for code, versions in known_standards(moment).items()}
    people = people_facts(Operator.objects.all(), at=moment, known_at=moment)
    found = 0
    for days in (0, 30, 90, 365):
        asked = EndsAsked(days=days)
        rows = ends_asked(asked, None, moment, with_cover=False).rows
        told = {(row.number, row.kind, row.on, row.codes) for row in rows if row.kind != "ticket"}
        assert told == {
            (person.number, end.kind, end.on, end.categories)
            for person in people.values()
            for end in lasting_ends(
                [ticket.category for ticket in person.tickets],
                standards,
                person.evidence,
                person.started_on,
                moment.date(),
                asked.window(moment.date()),
            )
        }
        found += len(told)
    assert found > 10, "nothing was compared"


def test_no_window_reaches_further_than_it_says():
    today = timezone.now().date()
    assert EndsAsked(days=30).window(today).last == today + timedelta(days=30)
    assert EndsAsked(days=0).window(today).last == today - timedelta(days=1)
