"""Assessments as lists: for staff, for the assessor who starts one, for the operator who confirms."""

from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from assessments.models import Assessment, AssessmentCorrection, Booking
from assessments.queries.practical import assessments_to_show
from competence.models import Account, Machine, Operator, Requirement, StandardVersion
from competence.queries.operators import evidence_of, facts_of, finding_words
from competence.rules.requirements import LASTING, RequirementKind, Scope, assess
from competence.rules.requirements import Requirement as Asked

Status = Assessment.Status
RECENT = 5


@dataclass(frozen=True)
class AssessmentFilter:
    """What the list is narrowed to; empty narrows nothing. Days are of the start."""

    words: str = ""
    site: int | None = None
    first_moment: datetime | None = None
    before: datetime | None = None
    category: str = ""
    status: str = ""
    found: str = ""


def assessments_listed(
    account: Account, site_ids: frozenset[int] | None, asked: AssessmentFilter
) -> QuerySet[Assessment]:
    """The assessments at these sites that a list asks for, the newest first. One statement when read.

    Each has ``held``, the outcome that holds since its newest correction, and ``is_kept_from``, whether
    ``account`` still marks the same walk-around for itself.
    """
    newest = AssessmentCorrection.objects.filter(assessment=OuterRef("pk")).order_by("-pk")
    same_walk_around = (
        Q(alongside=OuterRef("pk")) | Q(pk=OuterRef("alongside")) | Q(alongside=OuterRef("alongside"))
    )
    own_open = Assessment.objects.filter(same_walk_around, assessor=account, status=Status.MARKING)
    found = assessments_to_show().order_by("-started_at", "pk")
    found = found.annotate(
        held=Coalesce(Subquery(newest.values("is_competent")[:1]), F("is_competent")),
        is_kept_from=Exists(own_open.exclude(pk=OuterRef("pk"))),
    )
    if site_ids is not None:
        found = found.filter(site__in=site_ids)
    for word in asked.words.split():
        found = found.filter(
            Q(operator__number__icontains=word)
            | Q(operator__given_name__icontains=word)
            | Q(operator__family_name__icontains=word)
            | Q(machine__fleet_number__icontains=word)
            | Q(assessor__first_name__icontains=word)
            | Q(assessor__last_name__icontains=word)
        )
    if asked.site:
        found = found.filter(site=asked.site)
    if asked.first_moment:
        found = found.filter(started_at__gte=asked.first_moment)
    if asked.before:
        found = found.filter(started_at__lt=asked.before)
    if asked.category:
        found = found.filter(category__code=asked.category)
    if asked.status:
        found = found.filter(status=asked.status)
    if asked.found:
        found = found.filter(held=asked.found == "competent", is_kept_from=False)
    return found


def own_open_assessments(assessor: Account) -> list[Assessment]:
    """What this assessor has begun and not yet seen through, the newest first. One statement."""
    return list(
        assessments_to_show()
        .filter(assessor=assessor)
        .filter(Q(status=Status.MARKING) | Q(status=Status.FINISHED))
        .order_by("-started_at")
    )


def own_bookings(assessor: Account, today: date) -> list[Booking]:
    """What is booked for this assessor today. One statement."""
    return list(
        Booking.objects.filter(assessor=assessor, on=today, called_off_at__isnull=True)
        .select_related("operator", "machine", "site")
        .order_by("starts_at", "pk")
    )


def open_of_colleagues(assessor: Account, operator: Operator, machine: Machine) -> list[Assessment]:
    """Assessments of this walk-around that a colleague has open: what can be marked alongside.
    One statement."""
    return list(
        assessments_to_show()
        .filter(operator=operator, machine=machine, status=Status.MARKING)
        .filter(alongside__isnull=True)
        .exclude(assessor=assessor)
        .order_by("-started_at")
    )


def marks_alongside(account: Account, assessment: Assessment) -> bool:
    """Whether this account is still marking the same walk-around for itself, first or second, so must not be
    shown what a colleague found. One statement."""
    same = Q(alongside=assessment)
    if assessment.alongside_id:
        same |= Q(pk=assessment.alongside_id) | Q(alongside=assessment.alongside_id)
    open_ones = Assessment.objects.filter(same, assessor=account, status=Status.MARKING)
    return open_ones.exclude(pk=assessment.pk).exists()


def is_marked_twice(assessment: Assessment) -> bool:
    """Whether another assessor marked the same walk-around too. One statement at most."""
    if assessment.alongside_id:
        return True
    return assessment.second_markings.exclude(status=Status.ABANDONED).exists()


@dataclass(frozen=True)
class OwnAssessments:
    """An operator's part of the start page."""

    waiting: tuple[Assessment, ...]
    recent: tuple[Assessment, ...]

    def __bool__(self) -> bool:
        return bool(self.waiting or self.recent)


def own_assessments(operator: Operator) -> OwnAssessments:
    """What waits for the operator's confirmation, and the newest that were confirmed. Two statements."""
    mine = assessments_to_show().filter(operator=operator)
    waiting = mine.filter(status=Status.FINISHED, operator_confirmed_at__isnull=True).order_by("finished_at")
    recent = mine.filter(status=Status.CONFIRMED).order_by("-finished_at")
    return OwnAssessments(tuple(waiting), tuple(recent[:RECENT]))


@dataclass(frozen=True)
class Prior:
    """One line of the standard beside the practical itself, and how it stands today."""

    title: str
    is_met: bool
    says: str


def prior_requirements(
    operator: Operator, machine: Machine, standard: StandardVersion, today: date
) -> list[Prior]:
    """What the standard asks for besides the practical assessment, on this machine at its site, and what of
    it is met. Three statements."""
    facts = facts_of(evidence_of(operator))
    category, state = machine.state.category, machine.state
    accepted = {category.code, *(one.code for one in standard.accepts.all())}
    found = []
    for line in standard.requirements.order_by("pk"):
        if line.kind == Requirement.Kind.PRACTICAL:
            continue
        kind = RequirementKind(line.kind)
        categories = frozenset(accepted if kind in LASTING else {category.code})
        scope = Scope(categories, state.site.code, state.make_and_model, operator.started_on)
        finding = assess(Asked(kind, line.months, line.hours), facts, scope, today)
        found.append(Prior(line.title, finding.is_met, finding_words(finding)))
    return found
