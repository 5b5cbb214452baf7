"""What is kept by code is shown by name, and what is old is told apart from what counts."""

from datetime import timedelta

import pytest
from django.utils import timezone

from competence.queries.gate_answers import sentence_with_names
from competence.queries.journal_pages import in_words
from competence.queries.operators import evidence_of, evidence_to_show
from competence.queries.ticket_lists import Names
from competence.rules import sentences
from tests.factories import EvidenceFactory, OperatorFactory

NAMED = Names({"JUNIPER": "Juniper Draw Pit"}, {"breaker": "Breaker"})


def test_the_sites_and_attachments_of_a_reason_are_named():
    site = sentences.wrong_site("T-1", "Thornbeck Quarry", frozenset({"JUNIPER", "GONE"})).sentence
    assert sentence_with_names(site, NAMED).endswith("it is limited to GONE, Juniper Draw Pit.")
    fitted = sentences.wrong_attachment("T-1", frozenset({"breaker"})).sentence
    assert sentence_with_names(fitted, NAMED).endswith("what is fitted: Breaker.")
    heavy = sentences.too_heavy("T-1", 30_000, 20_000).sentence
    assert sentence_with_names(heavy, NAMED) == heavy


@pytest.mark.parametrize(
    ("action", "words"),
    [
        ("minimumcover.kept", "Minimum cover kept"),
        ("ticket.issued", "Ticket issued"),
        ("check.set_aside", "Check set aside"),
        ("register.begun", "Register begun"),
    ],
)
def test_what_was_done_is_said_in_words(action, words):
    assert in_words(action) == words


@pytest.mark.django_db
def test_the_newest_of_each_kind_is_shown_and_what_is_before_it_is_folded():
    today, operator = timezone.localdate(), OperatorFactory()
    old, new = (
        EvidenceFactory(
            operator=operator, kind="medical", category=None, occurred_on=today - timedelta(days=n)
        )
        for n in (400, 20)
    )
    other = EvidenceFactory(operator=operator, kind="refresher", category=None, occurred_on=today)
    shown = evidence_to_show(evidence_of(operator))
    assert (shown.newest, shown.older) == ([other, new], [old])
