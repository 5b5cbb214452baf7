"""Daily checks, findings, defects and refusals."""

from datetime import timedelta

import factory

from competence.models import DailyCheck, Defect, Finding, MachineUse, Refusal
from competence.rules import sentences
from competence.rules.gate import Verdict
from competence.rules.standing import Level

from .base import RowFactory, at_ago, day_ago
from .checklists import ChecklistVersionFactory
from .people import OperatorFactory
from .plant import MachineFactory

ALLOWED = Verdict((), ticket="T00000", level=Level.FULL, standard_version=1).as_plain()
REFUSED = Verdict((sentences.no_ticket("Dumper"),)).as_plain()


class DailyCheckFactory(RowFactory):
    """A draft that was started now. ``submitted=True``: handed in ten minutes later, fit for use."""

    class Meta:
        model = DailyCheck

    class Params:
        submitted = factory.Trait(
            status="submitted",
            submitted_at=factory.LazyAttribute(lambda row: row.started_at + timedelta(minutes=10)),
            hour_meter="1200.0",
            result="fit",
        )

    machine = factory.SubFactory(MachineFactory)
    site = factory.LazyAttribute(lambda row: row.machine.site)
    operator = factory.SubFactory(OperatorFactory, site=factory.SelfAttribute("..site"))
    checklist = factory.SubFactory(
        ChecklistVersionFactory, category=factory.SelfAttribute("..machine.state.category")
    )
    started_at = at_ago(0)
    verdict = factory.LazyFunction(lambda: dict(ALLOWED))


class FindingFactory(RowFactory):
    """The next unanswered point of a check, good; ``defect=True`` or ``not_reached=True`` otherwise."""

    class Meta:
        model = Finding

    class Params:
        defect = factory.Trait(answer="defect", grade="report", note="Worn through.")
        not_reached = factory.Trait(answer="not_reached", not_reached_reason="Parked against the wall.")

    daily_check = factory.SubFactory(DailyCheckFactory)
    listed = factory.LazyAttribute(
        lambda row: row.daily_check.checklist.listed.exclude(
            pk__in=row.daily_check.findings.values("listed")
        ).order_by("position")[0]
    )
    answer = "good"
    answered_at = factory.LazyAttribute(lambda row: row.daily_check.started_at)


class DefectFactory(RowFactory):
    """An open defect to report, found in a submitted check. ``closed=True."""

    class Meta:
        model = Defect

    class Params:
        closed = factory.Trait(
            closed_at=factory.LazyAttribute(lambda row: row.opened_at + timedelta(hours=1)),
            closed_by=factory.SubFactory("tests.factories.AccountFactory", roles=["site_admin"]),
            done="Replaced, and tried under load.",
        )

    machine = factory.SubFactory(MachineFactory)
    opened_by = factory.SubFactory(
        FindingFactory,
        defect=True,
        grade=factory.SelfAttribute("..grade"),
        daily_check__machine=factory.SelfAttribute("...machine"),
        daily_check__submitted=True,
    )
    site = factory.LazyAttribute(lambda row: row.machine.site)
    point_code = factory.LazyAttribute(lambda row: row.opened_by.listed.point.code)
    point_title = factory.LazyAttribute(lambda row: row.opened_by.listed.point.title)
    grade = "report"
    note = factory.LazyAttribute(lambda row: row.opened_by.note)
    opened_at = factory.LazyAttribute(lambda row: row.opened_by.daily_check.submitted_at)


class RefusalFactory(RowFactory):
    class Meta:
        model = Refusal

    at = at_ago(0)
    machine = factory.SubFactory(MachineFactory)
    operator = factory.SubFactory(OperatorFactory)
    site = factory.LazyAttribute(lambda row: row.machine.site)
    verdict = factory.LazyFunction(lambda: dict(REFUSED))


class MachineUseFactory(RowFactory):
    """A day shift of eight hours, yesterday."""

    class Meta:
        model = MachineUse

    machine = factory.SubFactory(MachineFactory)
    on = day_ago(1)
    shift = "day"
    hours = "8.0"
    source = "Shift sheet"
    recorded_at = at_ago(0)
