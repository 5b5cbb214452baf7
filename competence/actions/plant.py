"""Entering and changing machines."""

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import SAYS_SO_ALREADY, ActionRefused
from competence.actions.journal import record
from competence.models import Account, Category, Feature, FittedFeature, Machine, MachineState, Site
from competence.permissions import Right, require


@transaction.atomic
def enter_machine(
    *,
    by: Account,
    fleet_number: str,
    make_and_model: str,
    category: Category,
    site: Site,
    operating_mass_kg: int | None,
    features: Iterable[Feature] = (),
    serial_number: str = "",
) -> Machine:
    """Put a machine on the register."""
    require(by, Right.KEEP_PLANT, site=site)
    if Machine.objects.filter(fleet_number=fleet_number).exists():
        raise ActionRefused(f"Fleet number {fleet_number} is taken.", field="fleet_number")
    machine = Machine(fleet_number=fleet_number, serial_number=serial_number)
    machine.full_clean(exclude=["state"])
    machine.save()
    rows = _add_state(
        machine,
        make_and_model=make_and_model,
        category=category,
        site=site,
        operating_mass_kg=operating_mass_kg,
        features=features,
        is_in_service=True,
        reason="Entered on the register",
    )
    record(by=by, action="machine.entered", rows=[machine, *rows])
    return machine


@transaction.atomic
def change_machine(
    *,
    by: Account,
    machine: Machine,
    make_and_model: str,
    category: Category,
    site: Site,
    operating_mass_kg: int | None,
    features: Iterable[Feature],
    is_in_service: bool,
    reason: str,
    effective_at: datetime | None = None,
) -> Machine:
    """Move a machine, change what is fitted to it, or take it out of service and back.

    One that was out of service before something that was entered since, and says otherwise, is out of service
    now as well: nobody is let to it because an office was late.
    """
    machine = Machine.objects.select_for_update().get(pk=machine.pk)
    require(by, Right.KEEP_PLANT, site=machine.site)
    require(by, Right.KEEP_PLANT, site=site)
    if effective_at is not None and effective_at > now():
        raise ActionRefused("A change takes effect no later than now.", field="effective_at")
    features = list(features)
    told = (make_and_model, category.pk, site.pk, operating_mass_kg, is_in_service)
    _refuse_same(machine, told, features, effective_at or now())
    rows = _add_state(
        machine,
        make_and_model=make_and_model,
        category=category,
        site=site,
        operating_mass_kg=operating_mass_kg,
        features=features,
        is_in_service=is_in_service,
        reason=reason,
        effective_at=effective_at,
    )
    if not is_in_service and machine.state.is_in_service:
        rows += _out_of_service_now(machine, reason)
    record(by=by, action="machine.changed", rows=[machine, *rows], reason=reason)
    return machine


def _out_of_service_now(machine: Machine, reason: str) -> list[MachineState | FittedFeature]:
    held = machine.state
    return _add_state(
        machine,
        make_and_model=held.make_and_model,
        category=held.category,
        site=held.site,
        operating_mass_kg=held.operating_mass_kg,
        features=list(held.features.all()),
        is_in_service=False,
        reason=reason,
    )


def _refuse_same(
    machine: Machine, told: tuple[object, ...], features: Iterable[Feature], moment: datetime
) -> None:
    """A change says something else than the state in force at its moment."""
    columns = ("make_and_model", "category_id", "site_id", "operating_mass_kg", "is_in_service")
    before = (
        machine.states.filter(effective_at__lte=moment)
        .order_by("-effective_at", "-recorded_at", "-pk")
        .first()
    )
    if before is None or tuple(getattr(before, name) for name in columns) != told:
        return
    if set(before.features.values_list("pk", flat=True)) == {feature.pk for feature in features}:
        raise ActionRefused(SAYS_SO_ALREADY)


def _add_state(
    machine: Machine,
    *,
    category: Category,
    operating_mass_kg: int | None,
    features: Iterable[Feature],
    effective_at: datetime | None = None,
    **columns: object,
) -> list[MachineState | FittedFeature]:
    _refuse_mass_out_of_bounds(category, operating_mass_kg)
    moment = now()
    state = MachineState(
        machine=machine,
        category=category,
        operating_mass_kg=operating_mass_kg,
        effective_at=effective_at or moment,
        recorded_at=moment,
        **columns,
    )
    state.full_clean()
    state.save()
    fitted = [FittedFeature.objects.create(state=state, feature=feature) for feature in features]
    machine.state = machine.states.order_by("-effective_at", "-recorded_at", "-pk")[0]
    machine.save(update_fields=["state"])
    return [state, *fitted]


def _refuse_mass_out_of_bounds(category: Category, mass_kg: int | None) -> None:
    """A category bounded by operating mass takes no machine outside its bounds (bounds inclusive)."""
    low, high = category.min_mass_kg, category.max_mass_kg
    if mass_kg is None:
        if low is not None or high is not None:
            raise ActionRefused(
                f"{category.name} is bounded by operating mass, so the mass must be entered.",
                field="operating_mass_kg",
            )
    elif (low is not None and mass_kg < low) or (high is not None and mass_kg > high):
        bounds = f"{low or 0:,} kg and more" if high is None else f"{low or 0:,} to {high:,} kg"
        raise ActionRefused(
            f"{category.name} is for {bounds}; {mass_kg:,} kg belongs to another category.",
            field="operating_mass_kg",
        )
