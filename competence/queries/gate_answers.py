"""The gate's answer for the office: the verdict in words, and the facts that it rested on."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from competence.models import Site
from competence.queries.gate import snapshot
from competence.queries.refusals import WHOSE_MOVE, ShownReason, shown_reasons
from competence.queries.ticket_lists import Names, names
from competence.rules.dates import day_at
from competence.rules.gate import PersonFacts, Snapshot, Verdict, decide, version_in_force
from competence.rules.plain import from_plain
from competence.rules.reasons import long_date
from competence.rules.ticket_words import LEVEL_WORDS, state_words


@dataclass(frozen=True)
class Fact:
    label: str
    value: str


@dataclass(frozen=True)
class Answer:
    """A verdict with the facts behind it, ready for the screen."""

    at: datetime
    known_at: datetime
    verdict: Verdict
    snapshot: Snapshot
    reasons: tuple[ShownReason, ...]
    facts: tuple[tuple[str, tuple[Fact, ...]], ...]


def answer(
    *, operator: str, machine: str, at: datetime, known_at: datetime, supervisor: str | None, site: Site
) -> Answer:
    """May the operator take the machine out at ``at``, as known at ``known_at``? At most six statements. A
    supervising operator who is named is taken to have confirmed."""
    facts = snapshot(
        operator=operator,
        machine=machine,
        at=at,
        known_at=known_at,
        supervisor=supervisor,
        is_confirmed=supervisor is not None,
    )
    verdict, named = decide(facts, at), names()
    reasons = [
        replace(reason, sentence=sentence_with_names(reason.sentence, named)) for reason in verdict.reasons
    ]
    return Answer(
        at,
        known_at,
        verdict,
        facts,
        shown_reasons(reasons, site, WHOSE_MOVE),
        tuple(facts_in_words(facts, at, site.zone, named)),
    )


def sentence_with_names(sentence: str, named: Names) -> str:
    """The sentence with the names of the sites or attachments that it lists by code. What is kept of a
    verdict has the codes, which never change; the screen has the names of today."""
    for words, known in (("it is limited to ", named.sites), ("what is fitted: ", named.attachments)):
        before, found, codes = sentence.partition(words)
        if found:
            listed = ", ".join(known.get(code, code) for code in codes.removesuffix(".").split(", "))
            return f"{before}{found}{listed}."
    return sentence


def facts_kept(kept: dict[str, Any], at: datetime, site: Site) -> tuple[tuple[str, tuple[Fact, ...]], ...]:
    """The facts that a stored verdict rested on, in words; none where it holds none that can be read. At most
    two statements."""
    try:
        facts = from_plain(Snapshot, kept["facts"])
    except (KeyError, TypeError, ValueError):
        return ()
    return tuple(facts_in_words(facts, at, site.zone, names()))


def facts_in_words(
    facts: Snapshot, at: datetime, fallback_zone: str, named: Names
) -> Iterable[tuple[str, tuple[Fact, ...]]]:
    """What a verdict rested on, a heading and its facts at a time. No statement."""
    zone = ZoneInfo(facts.machine.site.zone if facts.machine else fallback_zone)
    today = day_at(at, zone)
    yield "The machine", tuple(_machine_facts(facts, today, named))
    if facts.person:
        yield f"{facts.person.name} ({facts.person.number})", tuple(_person_facts(facts.person, today, named))
    if facts.supervision and facts.supervision.person:
        person = facts.supervision.person
        yield f"Supervising: {person.name} ({person.number})", tuple(_person_facts(person, today, named))


def _machine_facts(facts: Snapshot, today: date, named: Names) -> Iterable[Fact]:
    machine = facts.machine
    if machine is None:
        yield Fact("On the register", "not then, or not yet known")
        return
    yield Fact("Model", machine.machine_model)
    yield Fact("Category", machine.category_name)
    yield Fact("Site", f"{machine.site.name}, {machine.site.zone}")
    mass = machine.operating_mass_kg
    yield Fact("Operating mass", f"{mass:,} kg" if mass else "not recorded")
    yield Fact(
        "Attachments",
        ", ".join(sorted(named.attachments.get(code, code) for code in machine.attachments)) or "none",
    )
    yield Fact("In service", "yes" if machine.is_in_service else "no")
    version = version_in_force(facts.standards, today)
    if version is None:
        yield Fact("Standard in force", "none")
        return
    asks = ", ".join(one.kind.replace("_", " ") for one in version.requirements)
    yield Fact("Standard in force", f"version {version.number}, from {long_date(version.in_force_from)}")
    yield Fact("It asks for", asks or "nothing")
    yield Fact("It also accepts tickets for", ", ".join(sorted(version.accepts)) or "no other category")


def _person_facts(person: PersonFacts, today: date, named: Names) -> Iterable[Fact]:
    yield Fact("Active", "yes" if person.is_active else "no")
    yield Fact("Started", long_date(person.started_on))
    for ticket in person.tickets:
        words = state_words(ticket.standing, today)
        told = [f"{words.word} {words.detail}".strip()]
        if ticket.standing:
            told.append(LEVEL_WORDS[ticket.standing.level])
            told += named.of(ticket.standing.conditions)
        yield Fact(f"Ticket {ticket.number}, {ticket.category}", "; ".join(told))
    if not person.tickets:
        yield Fact("Tickets", "none then")
    for row in sorted(person.evidence, key=lambda one: one.occurred_on, reverse=True):
        about = row.site or row.machine_model or row.category or ""
        met = "met" if row.is_met else "not met"
        counts = f", counts to {long_date(row.counts_to)}" if row.counts_to else ""
        label = row.kind.replace("_", " ").capitalize()
        yield Fact(f"{label} {about}".strip(), f"{met} on {long_date(row.occurred_on)}{counts}")
