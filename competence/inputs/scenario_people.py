"""The people of the scenario: entered, trained, ticketed, and kept up with, each on its own day."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from competence.actions.clock import now
from competence.actions.corrections import Correction, correct_event
from competence.actions.evidence import record_evidence
from competence.actions.people import enter_operator, open_account
from competence.actions.tickets import (
    issue_ticket,
    reinstate_ticket,
    renew_ticket,
    suspend_ticket,
    vary_ticket,
    withdraw_ticket,
)
from competence.inputs.scenario import Scenario
from competence.models import Account, Category, Operator, Ticket
from competence.queries.tickets import standard_on
from competence.rules.conditions import Conditions
from competence.rules.dates import day_at
from competence.rules.requirements import IN_HOURS, LASTING, RequirementKind
from competence.rules.standing import Level

# How often the firm sees to what must last; people are seen to on different days.
MEDICAL_EVERY, INDUCTION_EVERY, REFRESHER_EVERY = (timedelta(days=days) for days in (345, 350, 330))
STAGGER_DAYS = 6


def plan_people(scenario: Scenario) -> None:
    for place, line in enumerate(scenario.content["operator"]):
        Person(scenario, line, place).plan()


class Person:
    """One operator of the scenario, and the steps of their history."""

    def __init__(self, scenario: Scenario, line: dict[str, Any], place: int) -> None:
        self.scenario, self.line = scenario, line
        self.number, self.site = line["number"], line["site"]
        self.zone = scenario.zone_of(line["site"])
        self.stagger = timedelta(days=place % STAGGER_DAYS)
        self.entered_at = max(
            scenario.begins_at + timedelta(days=1) + self.stagger,
            scenario.almanac.moment(line["started"], self.zone, "08:00"),
        )

    def plan(self) -> None:
        self._add(self.entered_at, "entered", self._enter)
        self._plan_lasting()
        for ticket in self.line.get("ticket", ()):
            self._plan_ticket(ticket)
        for fact in self.line.get("evidence", ()):
            self._add(self._moment(fact["at"], "16:00"), fact["kind"], lambda fact=fact: self._extra(fact))

    @property
    def operator(self) -> Operator:
        return self.scenario.register.operators[self.number]

    def _add(self, moment: datetime, what: str, step: Any) -> None:
        self.scenario.timetable.add(moment, f"{self.number} {what}", step)

    def _moment(self, offset: str, usual: str) -> datetime:
        return self.scenario.almanac.moment(offset, self.zone, usual)

    def _day(self, offset: str) -> date:
        return self.scenario.almanac.day(offset, self.zone)

    def _enter(self) -> None:
        register, line = self.scenario.register, self.line
        given_name, family_name = line["name"].split(" ", 1)
        admin = self.scenario.who(self.site, "admin")
        operator = enter_operator(
            by=admin,
            number=self.number,
            given_name=given_name,
            family_name=family_name,
            employer=register.employers[line["employer"]],
            site=register.sites[self.site],
            started_on=self._day(line["started"]),
        )
        register.operators[self.number] = operator
        if line.get("signs_in", True):
            account = open_account(
                by=admin,
                username=self.number.lower(),
                password=self.scenario.password,
                operator=operator,
            )
            register.accounts[account.username] = account

    def _plan_lasting(self) -> None:
        admin, assessor = "admin", "assessor"
        without = self.line.get("without", ())
        if "medical" not in without:
            last_day = self._day(self.line["medical_to"]) if "medical_to" in self.line else None
            stops = self._moment(self.line["medical_to"], "09:00") if last_day else None
            days = list(self._every(MEDICAL_EVERY, before=stops))
            for day in days:
                is_last = last_day is not None and day == days[-1]
                self._plan_fact(day, RequirementKind.MEDICAL, admin, counts_to=last_day if is_last else None)
        for site in self.line.get("inducted_at", [self.site]):
            for day in self._every(INDUCTION_EVERY):
                self._plan_fact(day, RequirementKind.INDUCTION, admin, site=site)
        if "refresher" not in without:
            for day in self._every(REFRESHER_EVERY):
                self._plan_fact(day, RequirementKind.REFRESHER, admin, hours=8)
        for model in self.line.get("models", ()):
            moment = self.entered_at + timedelta(days=2, hours=3)
            self._plan_fact(moment, RequirementKind.FAMILIARISATION, assessor, machine_model=model)

    def _every(self, period: timedelta, before: datetime | None = None) -> Iterator[datetime]:
        """From the first day on, so often, to the day of loading."""
        moment = self.entered_at + timedelta(hours=2)
        end = before or self.scenario.almanac.opened_at
        while moment < end:
            yield moment
            moment += period

    def _plan_fact(self, moment: datetime, kind: RequirementKind, task: str, **columns: Any) -> None:
        self._add(
            moment, kind.value, lambda: self._record(kind, self.scenario.who(self.site, task), **columns)
        )

    def _record(self, kind: RequirementKind, by: Account, *, site: str | None = None, **columns: Any) -> None:
        record_evidence(
            by=by,
            operator=self.operator,
            kind=kind.value,
            occurred_on=day_at(now(), ZoneInfo(self.zone)),
            came_from=columns.pop("came_from", None) or CAME_FROM[kind],
            site=self.scenario.register.sites[site] if site else None,
            **columns,
        )

    def _extra(self, fact: dict[str, Any]) -> None:
        columns = {name: value for name, value in fact.items() if name not in ("at", "kind", "by")}
        if "category" in columns:
            columns["category"] = self.scenario.register.categories[columns["category"]]
        if "counts_to" in columns:
            columns["counts_to"] = self._day(columns["counts_to"])
        kind = RequirementKind(fact["kind"])
        self._record(kind, self.scenario.who(self.site, fact.get("by", "assessor")), **columns)

    def _plan_ticket(self, line: dict[str, Any]) -> None:
        if "assessed" in line:
            self._add(
                max(self._moment(line["assessed"], "15:00"), self.entered_at + timedelta(hours=4)),
                f"assessed for {line['category']}",
                lambda: self._assess(line, is_first=True),
            )
        self._add(
            max(self._moment(line["issued"], "09:00"), self.entered_at + timedelta(days=3)),
            f"ticket for {line['category']}",
            lambda: self._issue(line),
        )
        for event in line.get("event", ()):
            if "assessed" in event:
                self._add(
                    self._moment(event["assessed"], "15:00"),
                    f"assessed for {line['category']}",
                    lambda: self._assess(line, is_first=True),
                )
            self._add(
                self._moment(event["at"], "10:00"),
                f"ticket for {line['category']} {event['kind']}",
                lambda event=event: self._happen(line, event),
            )

    def _assess(self, line: dict[str, Any], *, is_first: bool) -> None:
        """Record what the standard asks for once; again, only what it asks for again."""
        category = self.scenario.register.categories[line["category"]]
        assessor = self.scenario.who(self.site, "assessor")
        standard = standard_on(category, day_at(now(), ZoneInfo(self.zone)))
        for requirement in standard.requirements.order_by("pk"):
            kind = RequirementKind(requirement.kind)
            # Hours once logged stand, unless the standard lets them run out or newly asks for them.
            stands = kind in IN_HOURS and requirement.months is None and self._has(kind, category)
            if kind not in LASTING and (is_first or not stands):
                self._record(kind, assessor, category=category, hours=requirement.hours)

    def _has(self, kind: RequirementKind, category: Category) -> bool:
        return self.operator.evidence.filter(kind=kind.value, category=category).exists()

    def _issue(self, line: dict[str, Any]) -> None:
        ticket = issue_ticket(
            by=self.scenario.who(self.site, "issuer"),
            operator=self.operator,
            category=self.scenario.register.categories[line["category"]],
            level=line.get("level", Level.FULL.value),
            reason=line.get("reason", "Met the standard"),
            last_day=self._day(line["last_day"]) if "last_day" in line else None,
            conditions=Conditions.from_plain(line.get("conditions")),
        )
        self._keep_up(line, ticket)

    def _keep_up(self, line: dict[str, Any], ticket: Ticket) -> None:
        """Re-assess within the renewal window, and renew the day after, for as long as the past lasts."""
        if "last_day" in line or line.get("level") == Level.TRAINEE.value or line.get("lapses"):
            return
        window = ticket.events.order_by("-sequence")[0].standard_version.renewal_window_days
        days_before = max(2, window // 2) - self.stagger.days % 2
        assessed_on = ticket.last_day - timedelta(days=days_before)
        assessed_at = datetime.combine(assessed_on, datetime.min.time(), ZoneInfo(self.zone))
        assessed_at += timedelta(hours=13)
        renewed_at = assessed_at + timedelta(days=1, hours=-3)
        if renewed_at >= self.scenario.almanac.opened_at:
            return
        what = f"re-assessed for {line['category']}"
        self._add(assessed_at, what, lambda: self._assess(line, is_first=False))
        self._add(renewed_at, f"renewed for {line['category']}", lambda: self._renew(line, assessed_on))

    def _renew(self, line: dict[str, Any], assessed_on: date) -> None:
        ticket = self._ticket(line)
        if ticket.is_withdrawn or ticket.is_suspended:
            return
        ticket = renew_ticket(
            by=self.scenario.who(self.site, "issuer"),
            ticket=ticket,
            assessed_on=assessed_on,
            reason="Re-assessed at the machine",
        )
        self._keep_up(line, ticket)

    def _ticket(self, line: dict[str, Any]) -> Ticket:
        return Ticket.objects.get(operator=self.operator, category__code=line["category"])

    def _happen(self, line: dict[str, Any], event: dict[str, Any]) -> None:
        ticket, reason = self._ticket(line), event["reason"]
        by = self.scenario.who(self.site, event.get("by", "issuer"))
        effective_at = self._moment(event["effective"], "12:00") if "effective" in event else None
        match event["kind"]:
            case "suspended":
                suspend_ticket(by=by, ticket=ticket, reason=reason, effective_at=effective_at)
            case "reinstated":
                reinstate_ticket(by=by, ticket=ticket, reason=reason)
            case "withdrawn":
                withdraw_ticket(by=by, ticket=ticket, reason=reason, effective_at=effective_at)
            case "varied":
                vary_ticket(by=by, ticket=ticket, reason=reason, **self._parts(event))
            case "corrected":
                self._correct(by, ticket, event)
            case other:
                raise KeyError(f"a ticket is not {other}")

    def _correct(self, by: Account, ticket: Ticket, event: dict[str, Any]) -> None:
        wrong = ticket.events.filter(kind=event["corrects"]).order_by("-sequence")[0]
        should_say = None
        if not event.get("strikes_out"):
            parts = self._parts(event)
            for part in ("level", "first_day", "last_day"):
                parts.setdefault(part, getattr(wrong, part))
            parts.setdefault(
                "conditions", None if wrong.conditions is None else Conditions.from_plain(wrong.conditions)
            )
            should_say = Correction(effective_at=wrong.effective_at, **parts)
        correct_event(by=by, event=wrong, reason=event["reason"], should_say=should_say)

    def _parts(self, event: dict[str, Any]) -> dict[str, Any]:
        parts: dict[str, Any] = {}
        if "level" in event:
            parts["level"] = event["level"]
        if "last_day" in event:
            parts["last_day"] = self._day(event["last_day"])
        if "conditions" in event:
            parts["conditions"] = Conditions.from_plain(event["conditions"])
        return parts


CAME_FROM = {
    RequirementKind.PRACTICAL: "Walk-around and work watched at the machine",
    RequirementKind.PAPER: "Written paper, in the training room",
    RequirementKind.TRAINING_HOURS: "Training course, attendance sheet",
    RequirementKind.SUPERVISED_HOURS: "Log sheet, signed by the supervising operator",
    RequirementKind.MEDICAL: "Certificate of the firm's doctor",
    RequirementKind.INDUCTION: "Induction sheet, signed",
    RequirementKind.FAMILIARISATION: "Taken through the machine with its operator's manual",
    RequirementKind.REFRESHER: "Refresher day, attendance sheet",
}
