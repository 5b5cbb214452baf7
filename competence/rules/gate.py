"""The gate: may this person check out this machine, then?

``decide`` is pure. It never stops at the first problem, and where a fact is missing it refuses.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from . import sentences
from .conditions import is_daylight
from .dates import day_at
from .reasons import Reason, long_date
from .requirements import LASTING, Evidence, Requirement, RequirementKind, Scope, assess
from .standing import Level, Standing, State
from .ticket_words import ENDING_DAYS


@dataclass(frozen=True, slots=True)
class SiteFacts:
    code: str
    name: str
    zone: str
    latitude: float | None = None
    longitude: float | None = None


@dataclass(frozen=True, slots=True)
class MachineFacts:
    number: str
    machine_model: str
    category: str
    category_name: str
    site: SiteFacts
    operating_mass_kg: int | None = None
    attachments: frozenset[str] = frozenset()
    is_in_service: bool = True


@dataclass(frozen=True, slots=True)
class TicketFacts:
    number: str
    category: str
    standing: Standing | None


@dataclass(frozen=True, slots=True)
class PersonFacts:
    number: str
    name: str
    is_active: bool
    started_on: date
    tickets: tuple[TicketFacts, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    # Not, where the person is on the register now but was not by that moment.
    was_entered: bool = True


@dataclass(frozen=True, slots=True)
class StandardFacts:
    """One version of the standard of the machine's category. ``accepts``: other categories whose ticket
    also covers it; never passed on."""

    number: int
    in_force_from: date
    accepts: frozenset[str] = frozenset()
    requirements: tuple[Requirement, ...] = ()


@dataclass(frozen=True, slots=True)
class Supervision:
    """The supervising operator whom a trainee named; confirmed once they signed in and said yes."""

    person: PersonFacts | None
    is_confirmed: bool = False


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Every fact that a verdict rests on. ``None`` is a fact that the register does not hold;
    ``machine_came_later``: it holds the machine now, and did not by that moment."""

    person: PersonFacts | None
    machine: MachineFacts | None
    standards: tuple[StandardFacts, ...] = ()
    supervision: Supervision | None = None
    machine_came_later: bool = False


@dataclass(frozen=True, slots=True)
class Verdict:
    """The gate's answer. Allowed is nothing but the absence of every reason, on a ticket that was found."""

    reasons: tuple[Reason, ...]
    ticket: str | None = None
    level: Level | None = None
    standard_version: int | None = None
    notices: tuple[str, ...] = ()

    @property
    def is_allowed(self) -> bool:
        return self.ticket is not None and not self.reasons

    def as_plain(self) -> dict[str, Any]:
        return {
            "allowed": self.is_allowed,
            "ticket": self.ticket,
            "level": self.level.value if self.level else None,
            "standard_version": self.standard_version,
            "reasons": [reason.as_plain() for reason in self.reasons],
            "notices": list(self.notices),
        }


def decide(snapshot: Snapshot, at: datetime) -> Verdict:
    """May this person check out this machine at ``at`` (an aware moment)?

    Every reason against comes back. Dates are judged on the calendar of the machine's site. Sources: the
    register's gate rule; 29 CFR 1910.178(l)(1)(ii), (l)(2)(i) for trainees; Quarries Regulations 1999
    reg 9 (from memory).
    """
    machine = snapshot.machine
    if machine is None:
        unknown = sentences.MACHINE_NOT_THEN if snapshot.machine_came_later else sentences.MACHINE_UNKNOWN
        return Verdict((unknown, *_without_machine(snapshot.person)))
    frame = Frame.of(machine, snapshot.standards, at)
    if snapshot.person is None:
        return Verdict((*frame.reasons, sentences.OPERATOR_UNKNOWN))
    return decide_in(frame, snapshot.person, snapshot.supervision)


def _without_machine(person: PersonFacts | None) -> tuple[Reason, ...]:
    """What can be said against somebody before it is known for which machine they ask."""
    if person is None:
        return (sentences.OPERATOR_UNKNOWN,)
    return () if person.is_active else (sentences.inactive(person),)


def decide_in(
    frame: Frame, person: PersonFacts, supervision: Supervision | None, known: Known | None = None
) -> Verdict:
    """The verdict on one person for the machine and moment of ``frame``."""
    verdict = decide_person(frame, person, known)
    if verdict.level is not Level.TRAINEE:
        return verdict
    against = supervision_reasons(frame, person, supervision)
    return Verdict(
        verdict.reasons + against, verdict.ticket, verdict.level, verdict.standard_version, verdict.notices
    )


@dataclass(frozen=True, slots=True)
class Frame:
    """What is the same for everybody who asks for one machine at one moment."""

    machine: MachineFacts
    standard: StandardFacts | None
    at: datetime
    today: date
    categories: frozenset[str]
    reasons: tuple[Reason, ...]
    # Each lasting requirement, with a text that is the same wherever its answer for one person is the same:
    # first for somebody whose evidence of that kind names no category, then for anybody.
    lasting: tuple[tuple[Requirement, str, str], ...]

    @classmethod
    def of(cls, machine: MachineFacts, standards: Iterable[StandardFacts], at: datetime) -> Frame:
        today = day_at(at, zone_named(machine.site.zone))
        standard = version_in_force(standards, today)
        reasons = []
        if not machine.is_in_service:
            reasons.append(sentences.out_of_service(machine.number))
        if standard is None:
            reasons.append(sentences.no_standard(machine.category_name))
        categories = (standard.accepts if standard else frozenset()) | {machine.category}
        lasting = tuple(
            (requirement, *_same_answer(requirement, machine, categories, today))
            for requirement in (standard.requirements if standard else ())
            if requirement.kind in LASTING
        )
        return cls(machine, standard, at, today, categories, tuple(reasons), lasting)


def _same_answer(
    requirement: Requirement, machine: MachineFacts, categories: frozenset[str], today: date
) -> tuple[str, str]:
    """Texts of the requirement, the day (at one moment two sites can be on different days) and the part of a
    machine that it is about: the categories matter only to evidence that names one."""
    asked = f"{today} {requirement.kind.value} {requirement.months} {requirement.hours}"
    if requirement.kind is RequirementKind.INDUCTION:
        about = f"{asked} {machine.site.code}"
    elif requirement.kind is RequirementKind.FAMILIARISATION:
        about = f"{asked} {machine.machine_model}"
    else:
        return asked, f"{asked} {' '.join(sorted(categories))}"
    return about, about


class Known:
    """What is found about one person's lasting requirements, so that the next machine need not ask again."""

    __slots__ = ("answers", "facts", "kinds_that_name_a_category")

    def __init__(self, person: PersonFacts) -> None:
        self.answers: dict[str, Reason | None] = {}
        self.facts: dict[RequirementKind, list[Evidence]] = {}
        for fact in person.evidence:
            self.facts.setdefault(fact.kind, []).append(fact)
        self.kinds_that_name_a_category = {fact.kind for fact in person.evidence if fact.category is not None}


@cache
def zone_named(key: str) -> ZoneInfo:
    return ZoneInfo(key)


def version_in_force(standards: Iterable[StandardFacts], on: date) -> StandardFacts | None:
    """The version with the latest start on or before ``on``; ``None`` where none has started."""
    started = [version for version in standards if version.in_force_from <= on]
    return max(started, key=lambda version: (version.in_force_from, version.number), default=None)


def decide_person(frame: Frame, person: PersonFacts, known: Known | None = None) -> Verdict:
    """The verdict on one person, supervision aside."""
    reasons = list(frame.reasons)
    if not person.is_active:
        reasons.append(sentences.inactive(person))
    best, against = _best_ticket(frame, person)
    reasons += against
    reasons += lasting_reasons(frame, person, known)
    standing = best.standing if best else None
    return Verdict(
        tuple(reasons),
        ticket=best.number if best else None,
        level=standing.level if standing else None,
        standard_version=frame.standard.number if frame.standard else None,
        notices=_notices(standing, frame) if standing and not against else (),
    )


def _best_ticket(frame: Frame, person: PersonFacts) -> tuple[TicketFacts | None, list[Reason]]:
    """The ticket that serves, full level before trainee; else the reasons against every one that might."""
    against: list[Reason] = []
    candidates: list[tuple[int, bool, TicketFacts]] = []
    for ticket in person.tickets:
        if ticket.category not in frame.categories or ticket.standing is None:
            continue
        reasons = ticket_reasons(frame, ticket.number, ticket.standing)
        candidates.append((len(reasons), ticket.standing.level is not Level.FULL, ticket))
        against += reasons
    if not candidates:
        return None, [sentences.no_ticket(frame.machine.category_name)]
    fewest, _, best = min(candidates, key=lambda candidate: candidate[:2])
    return best, against if fewest else []


def ticket_reasons(frame: Frame, number: str, standing: Standing) -> list[Reason]:
    """Everything that keeps one ticket from serving for this machine now."""
    state = standing.state_on(frame.today)
    zone = zone_named(frame.machine.site.zone)
    reasons: list[Reason] = []
    if state is State.WITHDRAWN:
        reasons.append(sentences.withdrawn(number, day_at(standing.since, zone)))
    elif state is State.SUSPENDED:
        reasons.append(sentences.suspended(number, day_at(standing.since, zone)))
    # An ended ticket that is also suspended has two things to put right, so dates are judged on their own.
    if frame.today > standing.last_day:
        reasons.append(sentences.ended(number, standing.last_day))
    elif frame.today < standing.first_day:
        reasons.append(sentences.not_started(number, standing.first_day))
    return reasons + condition_reasons(frame, number, standing)


def condition_reasons(frame: Frame, number: str, standing: Standing) -> list[Reason]:
    """The conditions of a ticket that this machine, at this moment, does not fit."""
    conditions, machine = standing.conditions, frame.machine
    reasons: list[Reason] = []
    if conditions.sites is not None and machine.site.code not in conditions.sites:
        reasons.append(sentences.wrong_site(number, machine.site.name, conditions.sites))
    limit = conditions.max_operating_mass_kg
    if limit is not None and machine.operating_mass_kg is None:
        reasons.append(sentences.mass_unknown(number, machine.number, limit))
    elif limit is not None and machine.operating_mass_kg is not None and machine.operating_mass_kg > limit:
        reasons.append(sentences.too_heavy(number, machine.operating_mass_kg, limit))
    if conditions.attachments is not None and (beyond := machine.attachments - conditions.attachments):
        reasons.append(sentences.wrong_attachment(number, beyond))
    if conditions.daylight_only:
        reasons += _daylight_reasons(frame, number)
    return reasons


def _daylight_reasons(frame: Frame, number: str) -> list[Reason]:
    site = frame.machine.site
    if site.latitude is None or site.longitude is None:
        return [sentences.daylight_unknown(number, site.name)]
    return [] if is_daylight(site.latitude, site.longitude, frame.at) else [sentences.dark(number, site.name)]


def lasting_reasons(frame: Frame, person: PersonFacts, known: Known | None = None) -> list[Reason]:
    """The lasting requirements of the standard in force that this person does not meet today."""
    known = known or Known(person)
    reasons: list[Reason] = []
    for requirement, for_most, for_anybody in frame.lasting:
        key = for_anybody if requirement.kind in known.kinds_that_name_a_category else for_most
        if key not in known.answers:
            known.answers[key] = _lasting_reason(frame, person, requirement, known)
        if (reason := known.answers[key]) is not None:
            reasons.append(reason)
    return reasons


def _lasting_reason(
    frame: Frame, person: PersonFacts, requirement: Requirement, known: Known
) -> Reason | None:
    machine = frame.machine
    scope = Scope(frame.categories, machine.site.code, machine.machine_model, person.started_on)
    found = assess(requirement, known.facts.get(requirement.kind, ()), scope, frame.today)
    return None if found.is_met else sentences.not_met(found, machine.site.name, machine.machine_model)


def supervision_reasons(
    frame: Frame, trainee: PersonFacts, supervision: Supervision | None
) -> tuple[Reason, ...]:
    """What keeps a trainee-level ticket from serving: a supervisor who may not, or has not said yes.

    Source: 29 CFR 1910.178(l)(2)(i)(A): direct supervision by a person competent to give it.
    """
    if supervision is None:
        return (sentences.SUPERVISOR_MISSING,)
    if supervision.person is None:
        return (sentences.SUPERVISOR_UNKNOWN,)
    supervisor = supervision.person
    if supervisor.number == trainee.number:
        return (sentences.SUPERVISOR_IS_TRAINEE,)
    reasons: list[Reason] = []
    verdict = decide_person(frame, supervisor)
    if not verdict.is_allowed or verdict.level is not Level.FULL:
        reasons.append(sentences.supervisor_refused(supervisor, verdict.reasons))
    if not supervision.is_confirmed:
        reasons.append(sentences.not_confirmed(supervisor))
    return tuple(reasons)


def _notices(standing: Standing, frame: Frame) -> tuple[str, ...]:
    """What an allowed operator should hear: the ticket's end, when it is near."""
    left = standing.last_day - frame.today
    if left == timedelta(0):
        return (sentences.ENDS_TONIGHT,)
    if left <= timedelta(days=ENDING_DAYS):
        days = "tomorrow" if left.days == 1 else f"in {left.days} days"
        last_day = long_date(standing.last_day)
        return (f"This ticket ends {days}, at the end of {last_day}. Ask for a re-assessment.",)
    return ()
