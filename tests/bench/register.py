"""A register of a stated size for the benchmarks, written straight into the tables.

People, tickets and evidence are made from their running number, so two runs measure the same register.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import islice

from django.db import connection, models, transaction

from competence.models import (
    Category,
    Employer,
    Evidence,
    Feature,
    FittedFeature,
    Machine,
    MachineState,
    Operator,
    OperatorState,
    Requirement,
    Site,
    StandardVersion,
    Ticket,
    TicketEvent,
)

AT = datetime(2026, 6, 15, 6, 0, tzinfo=UTC)
RECORDED = datetime(2025, 1, 10, 9, 0, tzinfo=UTC)
CATEGORIES = 10
TICKETS_EACH = 5
EVIDENCE_EACH = 8
SITES = 20
MACHINES = 200
MODELS_EACH = 4


def make_plant() -> None:
    """Sites, categories with a standard each, and the machines of the first site."""
    Employer.objects.create(name="Bench employer")
    for n in range(SITES):
        Site.objects.create(code=f"S{n}", name=f"Site {n}", zone="Europe/London", latitude=54, longitude=-2)
    attachment = Feature.objects.create(code="forks", name="Forks", kind="attachment")
    for n in range(CATEGORIES):
        category = Category.objects.create(code=f"category-{n}", name=f"Category {n}", family="dumper")
        version = StandardVersion.objects.create(
            category=category,
            number=1,
            in_force_from=date(2024, 1, 1),
            recorded_at=RECORDED,
            months=36,
            period_end="day_before",
            renewal_window_days=90,
            lapse_limit_days=180,
            pass_mark=Decimal("0.8"),
        )
        for kind, months, hours in (
            ("practical", None, None),
            ("paper", None, None),
            ("medical", 24, None),
            ("induction", 24, None),
            ("familiarisation", None, None),
            ("refresher", 12, Decimal(8)),
        ):
            Requirement.objects.create(version=version, kind=kind, title=kind, months=months, hours=hours)
    categories = list(Category.objects.order_by("pk"))
    site = Site.objects.get(code="S0")
    for n in range(MACHINES):
        machine = Machine.objects.create(fleet_number=f"M-{n}")
        kind = n % CATEGORIES
        model = n // CATEGORIES % MODELS_EACH
        state = MachineState.objects.create(
            machine=machine,
            effective_at=RECORDED,
            recorded_at=RECORDED,
            make_and_model=f"Maker {kind}-{model}",
            category=categories[kind],
            site=site,
            operating_mass_kg=20_000 + 1_000 * model,
            reason="bench",
        )
        if n % 7 == 0:
            FittedFeature.objects.create(state=state, feature=attachment)
        machine.state = state
        machine.save(update_fields=["state"])


def add_people(start: int, stop: int) -> None:
    """Operators number ``start`` up to ``stop`` with 5 tickets and 8 rows of evidence each."""
    employer = Employer.objects.get()
    sites = list(Site.objects.order_by("pk"))
    categories = list(Category.objects.order_by("pk"))
    versions = {version.category_id: version for version in StandardVersion.objects.all()}
    with transaction.atomic():
        for chunk in _chunks(range(start, stop), 5_000):
            _add_chunk(chunk, employer, sites, categories, versions)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def _add_chunk(
    numbers: list[int],
    employer: Employer,
    sites: list[Site],
    categories: list[Category],
    versions: dict[int, StandardVersion],
) -> None:
    operators = _saved(
        Operator(number=f"OP-{n}", given_name="Given", family_name=f"Family{n}", started_on=date(2025, 9, 1))
        for n in numbers
    )
    states = _saved(
        OperatorState(
            operator=operator,
            effective_at=RECORDED,
            recorded_at=RECORDED,
            is_active=n % 50 != 0,
            employer=employer,
            site=sites[n % SITES],
            reason="bench",
        )
        for n, operator in zip(numbers, operators, strict=True)
    )
    for operator, state in zip(operators, states, strict=True):
        operator.state = state
    Operator.objects.bulk_update(operators, ["state"], batch_size=2_000)
    tickets = _saved(
        Ticket(
            number=f"OP-{n}-{k}",
            operator=operator,
            category=categories[(_first_category(n) + k) % CATEGORIES],
            level="full",
            first_day=date(2024, 1, 1),
            last_day=_last_day(n, k),
            since=RECORDED,
        )
        for n, operator in zip(numbers, operators, strict=True)
        for k in range(TICKETS_EACH)
    )
    _saved(
        TicketEvent(
            ticket=ticket,
            sequence=1,
            kind="issued",
            effective_at=RECORDED,
            recorded_at=RECORDED,
            reason="bench",
            level="full",
            first_day=ticket.first_day,
            last_day=ticket.last_day,
            conditions={},
            standard_version=versions[ticket.category_id],
        )
        for ticket in tickets
    )
    _saved(
        fact
        for n, operator in zip(numbers, operators, strict=True)
        for fact in _evidence(n, operator, sites[n % SITES])
    )


def _first_category(n: int) -> int:
    """Spread so that the people of one site do not all hold the same categories."""
    return (n + n // SITES) % CATEGORIES


def _last_day(n: int, k: int) -> date:
    """A quarter of the tickets has ended by ``AT``; the rest ends over the next two years."""
    return AT.date() + timedelta(days=(n * 37 + k * 251) % 970 - 240)


def _evidence(n: int, operator: Operator, site: Site) -> Iterator[Evidence]:
    def fact(kind: str, **columns: object) -> Evidence:
        return Evidence(
            operator=operator,
            kind=kind,
            occurred_on=date(2025, 9, 1) + timedelta(days=n % 200),
            came_from="bench",
            recorded_at=RECORDED + timedelta(days=500),
            **columns,
        )

    yield fact("medical")
    yield fact("medical")
    yield fact("induction", site=site)
    yield fact("refresher", hours=Decimal("4.5"))
    yield fact("refresher", hours=Decimal("3.5"))
    for model in range(3):
        yield fact("familiarisation", machine_model=f"Maker {_first_category(n)}-{model}")


def _saved(rows: Iterable[models.Model]) -> list:
    rows = list(rows)
    return type(rows[0])._base_manager.bulk_create(rows, batch_size=2_000)


def _chunks(numbers: Iterable[int], size: int) -> Iterator[list[int]]:
    numbers = iter(numbers)
    while chunk := list(islice(numbers, size)):
        yield chunk
