"""A small register for knocking at doors: one of everything at one site, and people from another."""

from io import BytesIO
from types import SimpleNamespace

from django.core.files.base import ContentFile
from PIL import Image

from competence.queries.signing import signed_credential
from tests.factories import (
    AccountFactory,
    ChecklistVersionFactory,
    DailyCheckFactory,
    DefectFactory,
    EvidenceFactory,
    FindingFactory,
    MachineFactory,
    OperatorFactory,
    RefusalFactory,
    SampledItemFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.assessments import AssessmentFactory, PointNoteFactory
from tests.factories.cards import (
    CardFactory,
    CardTicketFactory,
    CredentialFactory,
    OperatorPhotographFactory,
)
from tests.factories.questions import (
    DrawnQuestionFactory,
    PanelQuestionFactory,
    PaperVersionFactory,
    QuestionVersionFactory,
    SittingFactory,
)

STAFF_ROLES = ("trainer", "site_admin", "auditor")


def make_world() -> SimpleNamespace:
    site, other_site = SiteFactory(), SiteFactory()
    machine = MachineFactory(site=site)
    category = machine.state.category
    standard_version = plain_standard(category=category)
    checklist_version = ChecklistVersionFactory(category=category)
    operator = authorised_operator(machine)
    other_operator = OperatorFactory(site=other_site)
    submitted_check = DailyCheckFactory(
        machine=machine, operator=operator, checklist=checklist_version, submitted=True
    )
    finding = FindingFactory(daily_check=submitted_check, defect=True)
    picture = BytesIO()
    Image.new("RGB", (8, 8), "grey").save(picture, "JPEG")
    finding.photograph.save("seen.jpg", ContentFile(picture.getvalue()))
    ticket = operator.tickets.get()
    world = SimpleNamespace(
        site=site,
        other_site=other_site,
        machine=machine,
        category=category,
        standard_version=standard_version,
        checklist_version=checklist_version,
        operator=operator,
        other_operator=other_operator,
        operator_account=AccountFactory(operator=operator),
        other_operator_account=AccountFactory(operator=other_operator),
        ticket=ticket,
        event=ticket.events.get(),
        evidence=operator.evidence.first() or EvidenceFactory(operator=operator),
        daily_check=DailyCheckFactory(machine=machine, operator=operator, checklist=checklist_version),
        submitted_check=submitted_check,
        finding=finding,
        refusal=RefusalFactory(machine=machine, operator=operator),
        defect=DefectFactory(machine=machine, opened_by=finding),
    )
    for role in STAFF_ROLES:
        setattr(world, role, AccountFactory(roles=[(role, site)]))
        setattr(world, f"other_{role}", AccountFactory(roles=[(role, other_site)]))
        setattr(world, f"everywhere_{role}", AccountFactory(roles=[role]))
    _add_assessments(world, picture.getvalue())
    _add_sittings(world)
    _add_questions(world)
    _add_sample(world)
    _add_cards(world)
    return world


def _add_assessments(world: SimpleNamespace, picture: bytes) -> None:
    """The trainer's of the operator on the machine: one being marked, one finished, one confirmed."""
    about = {
        "machine": world.machine,
        "operator": world.operator,
        "assessor": world.trainer,
        "checklist": world.checklist_version,
        "standard_version": world.standard_version,
    }
    world.finished_assessment = AssessmentFactory(**about, stage="finished")
    world.confirmed_assessment = AssessmentFactory(**about, stage="confirmed")
    evidence = EvidenceFactory(operator=world.operator, kind="practical", category=world.category)
    world.passed_assessment = AssessmentFactory(**about, stage="confirmed", evidence=evidence)
    # Last: of those being marked there is one at a time.
    world.assessment = AssessmentFactory(**about)
    world.point_note = PointNoteFactory(
        assessment=world.confirmed_assessment, photograph=ContentFile(picture, "seen.jpg")
    )


def _add_sittings(world: SimpleNamespace) -> None:
    """The operator's: a paper that was passed, and a refresher in the middle."""
    version = QuestionVersionFactory()
    paper = PaperVersionFactory(category=world.category, lines={version.question.topic: (1, 0)}, cut=1)
    world.paper = paper
    world.finished_sitting = SittingFactory(
        operator=world.operator, paper=paper, is_paper=True, finished=True
    )
    world.open_sitting = SittingFactory(operator=world.operator)
    for sitting in (world.finished_sitting, world.open_sitting):
        DrawnQuestionFactory(sitting=sitting, position=1, version=version)


def _add_questions(world: SimpleNamespace) -> None:
    """A question in use whose next version waits for review, and a panel that rates it."""
    version = QuestionVersionFactory()
    world.question = version.question
    world.waiting_version = QuestionVersionFactory(question=version.question, number=2, review=None)
    world.panel = PanelQuestionFactory(version=version, panel__category=world.category).panel


def _add_sample(world: SimpleNamespace) -> None:
    """A sample at the site, with one record in it that has no verdict yet."""
    world.sampled_item = SampledItemFactory(sample__site=world.site)
    world.sample = world.sampled_item.sample


def _add_cards(world: SimpleNamespace) -> None:
    """The operator's card, a credential of their ticket, and the photograph on record."""
    world.card = CardFactory(operator=world.operator)
    CardTicketFactory(card=world.card, ticket=world.ticket)
    token = signed_credential({"id": "urn:uuid:0"})
    world.credential = CredentialFactory(ticket=world.ticket, token=token)
    world.operator_photograph = OperatorPhotographFactory(operator=world.operator)
