"""The permission matrix's world with one row more of everything that a weight is copied from."""

from types import SimpleNamespace

from django.conf import settings
from django.test import Client
from django.utils import timezone

from assessments.models import Booking
from competence.actions.checks import _stored
from competence.models import Absence, DailyCheck, JournalEntry, JournalledRow
from competence.queries.gate import snapshot
from competence.rules.gate import decide
from tests.bench.weight.sizes import CATEGORIES, POINTS
from tests.doors.test_permission_matrix import visitors
from tests.doors.world import make_world
from tests.factories import (
    CategoryFactory,
    ChecklistVersionFactory,
    EvidenceFactory,
    FindingFactory,
    LookFactory,
    MachineUseFactory,
    MinimumCoverFactory,
    plain_standard,
)
from tests.factories.questions import AnswerFactory, PaperVersionFactory, QuestionVersionFactory

QUESTIONS = 5


def make_patterns() -> SimpleNamespace:
    world = make_world()
    world.categories = CategoryFactory.create_batch(CATEGORIES)
    world.standards = {category.pk: plain_standard(category=category).pk for category in world.categories}
    world.checklists = {
        category.pk: ChecklistVersionFactory(category=category, points=POINTS).pk
        for category in world.categories
    }
    world.minimum = MinimumCoverFactory(site=world.site, category=world.categories[0])
    world.use = MachineUseFactory(machine=world.machine)
    world.look = LookFactory(by=world.auditor, operator=world.operator)
    world.medical = EvidenceFactory(operator=world.operator)
    today = timezone.now().date()
    world.absence = Absence.objects.create(
        operator=world.operator,
        first_day=today,
        last_day=today,
        kind="leave",
        entered_by=world.trainer,
        entered_at=timezone.now(),
    )
    world.booking = Booking.objects.create(
        on=today,
        site=world.site,
        machine=world.machine,
        operator=world.operator,
        assessor=world.trainer,
        made_at=timezone.now(),
        made_by=world.trainer,
    )
    world.good_finding = FindingFactory(daily_check=world.submitted_check)
    world.card_ticket = world.card.stated.get()
    world.status_place = world.card_ticket.status
    world.assessed_point = world.confirmed_assessment.points.first()
    world.tap = world.confirmed_assessment.taps.first()
    world.question_versions = [QuestionVersionFactory() for _ in range(QUESTIONS)]
    # A tenth of the sittings is of the world's paper.
    other = PaperVersionFactory(category=world.categories[0])
    world.papers = [world.paper.pk] + [other.pk] * 9
    world.paper_categories = [world.category.pk] + [world.categories[0].pk] * 9
    world.drawn = world.finished_sitting.drawn.get()
    world.answer = AnswerFactory(drawn=world.drawn)
    _state_facts(world)
    moment = timezone.now()
    world.entry = JournalEntry.objects.create(at=moment, by=None, action="world.made", leaf=b"\0" * 32)
    world.journalled_row = JournalledRow.objects.create(
        entry=world.entry, kind="competence.site", key="0", content={}, salt=b"", commitment=b"\0" * 32
    )
    world.visitors = {name: _session_of(account) for name, account in visitors(world)}
    return world


def _state_facts(world: SimpleNamespace) -> None:
    """A stored verdict as a real one is, with the facts that it rested on."""
    moment = timezone.now()
    facts = snapshot(
        operator=world.operator.number, machine=world.machine.fleet_number, at=moment, known_at=moment
    )
    stored = _stored(facts, decide(facts, moment))
    DailyCheck.objects.filter(pk=world.submitted_check.pk).update(verdict=stored)


def _session_of(account: object) -> str | None:
    if account is None:
        return None
    client = Client()
    client.force_login(account)
    return client.cookies[settings.SESSION_COOKIE_NAME].value
