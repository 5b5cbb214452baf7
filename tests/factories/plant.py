"""Categories, features and machines."""

from typing import Any

import factory

from competence.models import Category, Feature, FittedFeature, Machine, MachineState

from .base import RowFactory, at_ago, moment_ago
from .people import SiteFactory


class CategoryFactory(RowFactory):
    class Meta:
        model = Category

    code = factory.Sequence(lambda n: f"dumper-{n}")
    name = factory.Sequence(lambda n: f"Dumper, kind {n}")
    family = "dumper"
    description = "Carries loose material in an open body."


class FeatureFactory(RowFactory):
    class Meta:
        model = Feature

    code = factory.Sequence(lambda n: f"feature-{n}")
    name = factory.Sequence(lambda n: f"Feature {n}")
    kind = Feature.Kind.FITTED


class MachineStateFactory(RowFactory):
    """A later state of a machine; ``MachineFactory`` makes the first. Moves the pointer to itself, and
    keeps what it does not state, features excepted: ``features=[...]``."""

    class Meta:
        model = MachineState

    machine = factory.SubFactory("tests.factories.MachineFactory")
    effective_at = at_ago(0)
    recorded_at = factory.SelfAttribute("effective_at")
    make_and_model = factory.LazyAttribute(lambda row: row.machine.state.make_and_model)
    category = factory.LazyAttribute(lambda row: row.machine.state.category)
    site = factory.LazyAttribute(lambda row: row.machine.state.site)
    operating_mass_kg = factory.LazyAttribute(lambda row: row.machine.state.operating_mass_kg)
    is_in_service = True
    reason = "Changed."

    @factory.post_generation
    def features(row: MachineState, create: bool, extracted: Any, **_: Any) -> None:
        for feature in extracted or () if create else ():
            FittedFeature.objects.create(state=row, feature=feature)

    @factory.post_generation
    def as_newest(row: MachineState, create: bool, extracted: Any, **_: Any) -> None:
        if create:
            row.machine.state = row
            row.machine.save()


class MachineFactory(RowFactory):
    """In service for 400 days: ``MachineFactory(site=..., category=..., features=[...])``."""

    class Meta:
        model = Machine

    class Params:
        site = factory.SubFactory(SiteFactory)
        category = factory.SubFactory(CategoryFactory)
        make_and_model = "Invented 30 articulated"
        operating_mass_kg = 24_000
        is_in_service = True

    fleet_number = factory.Sequence(lambda n: f"DT{n:03}")

    @classmethod
    def _create(cls, model_class: type, *args: Any, **fields: Any) -> Machine:
        state = fields.pop("state_fields")
        machine = model_class.objects.create(*args, **fields)
        machine.state = MachineState.objects.create(machine=machine, **state)
        machine.save()
        return machine

    @classmethod
    def _build(cls, model_class: type, *args: Any, **fields: Any) -> Machine:
        fields.pop("state_fields")
        return model_class(*args, **fields)

    @factory.lazy_attribute
    def state_fields(self) -> dict[str, Any]:
        moment = moment_ago(400)
        return {
            "effective_at": moment,
            "recorded_at": moment,
            "make_and_model": self.make_and_model,
            "category": self.category,
            "site": self.site,
            "operating_mass_kg": self.operating_mass_kg,
            "is_in_service": self.is_in_service,
            "reason": "Entered on the register.",
        }

    @factory.post_generation
    def features(machine: Machine, create: bool, extracted: Any, **_: Any) -> None:
        for feature in extracted or () if create else ():
            FittedFeature.objects.create(state=machine.state, feature=feature)
