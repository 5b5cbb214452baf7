"""How far somebody is towards a full ticket, or towards its renewal: one picture of one category."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils import timezone

from assessments.models import Booking
from competence.models import (
    Account,
    Category,
    Evidence,
    Machine,
    Operator,
    Role,
    Site,
    StandardVersion,
    Ticket,
)
from competence.models import Requirement as RequirementLine
from competence.queries.operators import evidence_of, facts_of, finding_words
from competence.queries.tickets import (
    chain_of,
    column_standing,
    hours_words,
    last_granted_on,
    missing_of,
    period_after_renewal,
    practical_assessors,
    standard_on,
)
from competence.rules.dates import Period, PeriodEnd, RenewalRefused, period_end
from competence.rules.reasons import long_date
from competence.rules.requirements import LASTING, Met, Requirement, RequirementKind, Scope, assess
from competence.rules.requirements import Evidence as Fact
from competence.rules.standing import Level, Standing, State
from competence.rules.ticket_words import StateWords, state_words

# The newest rows that a requirement rests on; older ones are in the operator's record.
ROWS_SHOWN = 3

ISSUE, RAISE, RENEW = "issue", "raise", "renew"


@dataclass(frozen=True)
class Line:
    """One requirement, as it stands today. ``about``: the site or the model that it is asked about."""

    kind: RequirementKind
    title: str
    about: str
    detail: str
    source: str
    is_met: bool
    word: str
    says: str
    evidence: tuple[Evidence, ...]
    more: int
    hours_done: Decimal | None = None
    hours_needed: Decimal | None = None

    @property
    def hours(self) -> str:
        return hours_words(self.hours_done, self.hours_needed) if self.hours_needed else ""

    @property
    def share(self) -> Decimal:
        """The hours that a bar can show: no more than it is long."""
        return min(self.hours_done or Decimal(0), self.hours_needed or Decimal(0))


@dataclass(frozen=True)
class Move:
    """What the record leads to. ``kind``: issue, raise or renew; ``waits_for``: what is missing for it, by
    name, so that with nothing there it can be made now."""

    kind: str
    says: str
    waits_for: tuple[str, ...] = ()
    assessed_on: date | None = None

    @property
    def is_ready(self) -> bool:
        return not self.waits_for


@dataclass(frozen=True)
class Picture:
    """Everything that the progress page shows."""

    operator: Operator
    category: Category
    today: date
    standard: StandardVersion | None
    ticket: Ticket | None = None
    state: StateWords | None = None
    once: list[Line] = field(default_factory=list)
    lasting: list[Line] = field(default_factory=list)
    move: Move | None = None
    # Who recorded the practical assessment, where the standard keeps them from deciding.
    assessors: frozenset[int] = frozenset()

    @property
    def met(self) -> int:
        return sum(line.is_met for line in self.once)


def picture_of(operator: Operator, category: Category, today: date) -> Picture:
    """Six statements; one more where a ticket is held, where two people decide, and where an assessment
    older than the standard in force is to be renewed from, by the standard of its day."""
    ticket = Ticket.objects.filter(operator=operator, category=category).first()
    held = column_standing(ticket) if ticket else None
    state = state_words(held, today) if held else None
    standard = standard_on(category, today)
    if standard is None:
        return Picture(operator, category, today, None, ticket, state)
    # The lines that are read below ask for their category, which is at hand.
    standard.category = category
    asked = list(standard.requirements.order_by("pk"))
    pairs = [(row, fact) for row in evidence_of(operator) for fact in facts_of([row])]
    scope = Scope(frozenset({category.code}), operator.site.code, "", operator.started_on)
    once = [_line(one, "", pairs, scope, today) for one in asked if RequirementKind(one.kind) not in LASTING]
    assessors = practical_assessors(operator, category) if standard.issue_by_another else set()
    return Picture(
        operator,
        category,
        today,
        standard,
        ticket,
        state,
        once,
        _lasting(operator, standard, asked, pairs, today),
        _move(
            category,
            held,
            _granted_on(ticket, operator),
            standard,
            asked,
            [fact for _, fact in pairs],
            scope,
            today,
        ),
        frozenset(assessors),
    )


def _granted_on(ticket: Ticket | None, operator: Operator) -> date | None:
    """The day on which the ticket was last issued or renewed. At most one statement."""
    if ticket is None:
        return None
    return last_granted_on(chain_of(ticket), ZoneInfo(operator.site.zone), known_at=timezone.now())


def _lasting(
    operator: Operator,
    standard: StandardVersion,
    asked: list[RequirementLine],
    pairs: list[tuple[Evidence, Fact]],
    today: date,
) -> list[Line]:
    """What every daily check asks for: at the home site, and on each model of the category there. Two
    statements."""
    here = Machine.objects.filter(
        state__site=operator.site, state__category=standard.category, state__is_in_service=True
    )
    models = sorted(set(here.values_list("state__make_and_model", flat=True)))
    categories = frozenset({standard.category.code, *standard.accepts.values_list("code", flat=True)})
    lines = []
    for one in asked:
        kind = RequirementKind(one.kind)
        if kind not in LASTING:
            continue
        about = models if kind is RequirementKind.FAMILIARISATION else [""]
        for model in about:
            words = model or (operator.site.name if kind is RequirementKind.INDUCTION else "")
            scope = Scope(categories, operator.site.code, model, operator.started_on)
            lines.append(_line(one, words, pairs, scope, today))
    return lines


def _line(
    line: RequirementLine, about: str, pairs: list[tuple[Evidence, Fact]], scope: Scope, today: date
) -> Line:
    kind = RequirementKind(line.kind)
    asked = Requirement(kind, line.months, line.hours)
    found = assess(asked, [fact for _, fact in pairs], scope, today)
    rows = _rests_on(kind, pairs, scope, today)
    # A refresher's hours begin anew after each one, so that a bar of them would tell of years gone by.
    adds_up = line.hours is not None and kind is not RequirementKind.REFRESHER
    return Line(
        kind,
        line.title,
        about,
        line.detail,
        line.source,
        found.is_met,
        {Met.MET: "Met", Met.ENDED: "Ended", Met.FAILED: "Not passed", Met.SHORT: "Not enough yet"}.get(
            found.met, "Missing"
        ),
        finding_words(found),
        tuple(rows[:ROWS_SHOWN]),
        max(0, len(rows) - ROWS_SHOWN),
        found.hours if adds_up else None,
        line.hours if adds_up else None,
    )


def _rests_on(
    kind: RequirementKind, pairs: Iterable[tuple[Evidence, Fact]], scope: Scope, today: date
) -> list[Evidence]:
    """The rows that a requirement rests on, newest first: sessions add up, of others the last counts."""
    plain = Requirement(kind)
    about = [row for row, fact in pairs if assess(plain, [fact], scope, today).met is not Met.MISSING]
    if kind in (RequirementKind.TRAINING_HOURS, RequirementKind.SUPERVISED_HOURS, RequirementKind.REFRESHER):
        return about
    return [row for row in about if row.occurred_on == about[0].occurred_on]


def _move(
    category: Category,
    held: Standing | None,
    granted_on: date | None,
    standard: StandardVersion,
    asked: list[RequirementLine],
    facts: list[Fact],
    scope: Scope,
    today: date,
) -> Move:
    """Issue, raise a trainee's ticket, or renew: what this record leads to, and what it still waits for."""
    missing = tuple(missing_of(asked, facts, scope, on=today, today=today))
    state = held.state_on(today) if held else None
    lapsed = (today - held.last_day).days if held and state is State.ENDED else 0
    if held is None or state is State.WITHDRAWN or lapsed > standard.lapse_limit_days:
        last = period_end(today, standard.months, PeriodEnd(standard.period_end))
        return Move(
            ISSUE,
            f"A full ticket for {category.name}. Issued today it would run from {long_date(today)} to "
            f"{long_date(last)}, as version {standard.number} of the standard says.",
            missing,
        )
    if held.is_suspended:
        return Move(
            RENEW,
            "The ticket is suspended. When what led to it is put right, a trainer reinstates it; then it can "
            "be renewed.",
            ("The ticket reinstated",),
        )
    if held.level is Level.TRAINEE and state is not State.ENDED:
        return Move(
            RAISE,
            f"Full level, in place of trainee level, within the days of the ticket: to "
            f"{long_date(held.last_day)}.",
            missing,
        )
    return _renewal(category, held, granted_on, standard, asked, facts, scope, today)


def _renewal(
    category: Category,
    held: Standing,
    granted_on: date | None,
    standard: StandardVersion,
    asked: list[RequirementLine],
    facts: list[Fact],
    scope: Scope,
    today: date,
) -> Move:
    """From the newest assessment passed since the ticket was last issued or renewed, if it takes the ticket
    further; else from one today."""
    passed = [
        fact.occurred_on
        for fact in facts
        if fact.kind is RequirementKind.PRACTICAL
        and fact.is_met
        and fact.category == category.code
        and fact.occurred_on <= today
        and (granted_on is None or fact.occurred_on > granted_on)
    ]
    newest = max(passed, default=None)
    by = standard
    if newest is not None and newest < standard.in_force_from:
        by = standard_on(category, newest)
    period = _period(held, by, newest) if newest and by else None
    if period and period.last_day > held.last_day:
        lines = asked if by == standard else list(by.requirements.order_by("pk"))
        is_full = held.level is Level.FULL
        # The standard of the assessment's day and the one in force today are both asked, as the act does.
        asking = dict.fromkeys(
            title
            for each in (lines, asked)
            for title in (missing_of(each, facts, scope, on=newest, today=today) if is_full else ())
        )
        return Move(
            RENEW,
            f"A renewal, on the assessment of {long_date(newest)}: the ticket would run from "
            f"{long_date(period.first_day)} to {long_date(period.last_day)}. Now it ends on "
            f"{long_date(held.last_day)}.",
            tuple(asking),
            newest,
        )
    would = _period(held, standard, today)
    says = (
        f"A renewal. Assessed today, the ticket would run from {long_date(would.first_day)} to "
        f"{long_date(would.last_day)}. Now it ends on {long_date(held.last_day)}."
        if would
        else f"A renewal. Assessed today, the ticket would end no later than it does now, on "
        f"{long_date(held.last_day)}."
    )
    others = [line for line in asked if line.kind != RequirementKind.PRACTICAL]
    missing = missing_of(others, facts, scope, on=today, today=today) if held.level is Level.FULL else ()
    newer = "A practical assessment, newer than the one that the ticket rests on"
    return Move(RENEW, says, (newer, *missing))


def _period(held: Standing, standard: StandardVersion, assessed_on: date) -> Period | None:
    """The period that a renewal would give; ``None`` where it would give nothing or comes too late."""
    try:
        return period_after_renewal(held, standard, assessed_on)
    except RenewalRefused:
        return None


def who_may_decide(operator: Operator, but: frozenset[int]) -> list[Account]:
    """Trainers of the operator's site who are none of these and not the operator. One statement."""
    held = Role.objects.filter(name=Role.Name.TRAINER, ended_at__isnull=True).filter(
        Q(site=operator.site) | Q(site__isnull=True)
    )
    found = Account.objects.filter(is_active=True, pk__in=held.values("account")).exclude(pk__in=but)
    # Most trainers have no entry as an operator: to a database, a missing one is not "another one".
    found = found.filter(Q(operator__isnull=True) | ~Q(operator=operator))
    return list(found.order_by("last_name", "first_name", "username"))


def coming_booking(operator: Operator, category: Category, today: date) -> Booking | None:
    """The next assessment that the operator is booked for in this category. One statement."""
    coming = Booking.objects.filter(
        operator=operator, machine__state__category=category, on__gte=today, called_off_at__isnull=True
    )
    return coming.select_related("assessor", "machine", "site").order_by("on", "starts_at").first()


def models_at(site: Site) -> list[str]:
    """The makes and models in service at a site. One statement."""
    here = Machine.objects.filter(state__site=site, state__is_in_service=True)
    return sorted(set(here.values_list("state__make_and_model", flat=True)))
