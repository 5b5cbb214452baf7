"""Employers, sites and operators."""

from typing import Any

import factory

from competence.models import Employer, MinimumCover, Operator, OperatorState, Site

from .base import RowFactory, at_ago, day_ago, moment_ago

GIVEN_NAMES = ("Ada", "Bram", "Carys", "Dilip", "Edie", "Femi", "Greta", "Hugh")
FAMILY_NAMES = ("Ashworth", "Bellamy", "Carrow", "Dunmore", "Ellery", "Fenwick", "Garside")


class EmployerFactory(RowFactory):
    class Meta:
        model = Employer

    name = factory.Sequence(lambda n: f"Earthworks Firm {n}")


class SiteFactory(RowFactory):
    """A site in England with its place known, so that daylight can be judged."""

    class Meta:
        model = Site

    code = factory.Sequence(lambda n: f"SITE{n}")
    name = factory.Sequence(lambda n: f"Quarry {n}")
    zone = "Europe/London"
    latitude = 53.0
    longitude = -1.5


class MinimumCoverFactory(RowFactory):
    class Meta:
        model = MinimumCover

    site = factory.SubFactory(SiteFactory)
    category = factory.SubFactory("tests.factories.CategoryFactory")
    operators = 2


class OperatorStateFactory(RowFactory):
    """A later state of an operator; ``OperatorFactory`` makes the first. Moves the pointer to itself."""

    class Meta:
        model = OperatorState

    operator = factory.SubFactory("tests.factories.OperatorFactory")
    effective_at = at_ago(0)
    recorded_at = factory.SelfAttribute("effective_at")
    is_active = True
    employer = factory.LazyAttribute(lambda row: row.operator.state.employer)
    site = factory.LazyAttribute(lambda row: row.operator.state.site)
    reason = "Moved."

    @factory.post_generation
    def as_newest(row: OperatorState, create: bool, extracted: Any, **_: Any) -> None:
        if create:
            row.operator.state = row
            row.operator.save()


class OperatorFactory(RowFactory):
    """On the register for 400 days: ``OperatorFactory(site=..., employer=..., is_active=False)``."""

    class Meta:
        model = Operator

    class Params:
        site = factory.SubFactory(SiteFactory)
        employer = factory.SubFactory(EmployerFactory)
        is_active = True

    number = factory.Sequence(lambda n: f"OP{n:04}")
    given_name = factory.Sequence(lambda n: GIVEN_NAMES[n % len(GIVEN_NAMES)])
    family_name = factory.Sequence(lambda n: FAMILY_NAMES[n % len(FAMILY_NAMES)])
    started_on = day_ago(400)

    @classmethod
    def _create(cls, model_class: type, *args: Any, **fields: Any) -> Operator:
        state = fields.pop("state_fields")
        operator = model_class.objects.create(*args, **fields)
        operator.state = OperatorState.objects.create(operator=operator, **state)
        operator.save()
        return operator

    @classmethod
    def _build(cls, model_class: type, *args: Any, **fields: Any) -> Operator:
        fields.pop("state_fields")
        return model_class(*args, **fields)

    @factory.lazy_attribute
    def state_fields(self) -> dict[str, Any]:
        moment = moment_ago(400)
        return {
            "effective_at": moment,
            "recorded_at": moment,
            "is_active": self.is_active,
            "employer": self.employer,
            "site": self.site,
            "reason": "Entered on the register.",
        }
