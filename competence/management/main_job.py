"""The main job, done for real on the scenario: each case says what must happen, does it, and compares."""

import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.db import connection
from django.utils import timezone

from competence.actions.checks import start_check, submit_check
from competence.actions.clock import as_if_at, now
from competence.actions.defects import close_defect
from competence.actions.journal import seal
from competence.inputs.scenario import Scenario
from competence.inputs.scenario_checks import answer_all
from competence.models import DailyCheck, Defect, JournalEntry, Machine, Operator, Refusal, TicketEvent
from competence.queries.checks import applicable_points
from competence.queries.gate import snapshot
from competence.queries.journal import verify
from competence.queries.record import ask_record
from competence.queries.record_words import NOUNS
from competence.rules.conditions import is_daylight
from competence.rules.gate import Verdict, decide


@dataclass(frozen=True)
class Outcome:
    """One case: what must happen, what happened, and the reasons that the person was given."""

    case: str
    expected: str
    happened: str
    because: tuple[str, ...] = ()

    @property
    def is_right(self) -> bool:
        return self.expected == self.happened


# What an app above this one adds to the cases when it is ready, before the record itself is looked at.
MORE_PARTS: list[Callable[["Cases"], Iterable[Outcome]]] = []


def run_main_job(scenario: Scenario) -> Iterator[Outcome]:
    """Every case, in the order in which a shift would meet them."""
    at_the_machine = (_let_through, _stopped, _in_the_dark, _trainee, _stop_use)
    for part in (*at_the_machine, *MORE_PARTS, _two_times, _record, _journal):
        yield from part(Cases(scenario))


class Cases:
    """The scenario's people and machines, and the presses of buttons that a case is made of."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.facts = scenario.content["main_job"][0]

    def name(self, number: str) -> str:
        return str(self.scenario.register.operators[number])

    def machine(self, fleet_number: str) -> Machine:
        return Machine.objects.select_related("state__site", "state__category").get(fleet_number=fleet_number)

    def start(self, number: str, fleet_number: str, **supervision: Any) -> DailyCheck | Refusal:
        return start_check(
            by=self.scenario.register.accounts[number.lower()],
            check_id=uuid.uuid4(),
            machine=self.machine(fleet_number),
            **supervision,
        )

    def supervision(self, number: str, *, is_confirmed: bool) -> dict[str, Any]:
        register = self.scenario.register
        account = register.accounts[number.lower()] if is_confirmed else None
        return {"supervisor": register.operators[number], "supervisor_account": account}

    def finish(
        self, number: str, started: DailyCheck | Refusal, findings: Sequence[dict[str, Any]] = ()
    ) -> DailyCheck | Refusal:
        """Answer every point and submit; who was stopped at the start has nothing to finish."""
        if isinstance(started, Refusal):
            return started
        by = self.scenario.register.accounts[number.lower()]
        answer_all(by, started, findings)
        hours = Decimal(str(self.scenario.reading(started.machine.fleet_number, now())))
        return submit_check(by=by, daily_check=started, hour_meter=hours)

    def ask(self, number: str, fleet_number: str, at: datetime, known_at: datetime) -> Verdict:
        return decide(snapshot(operator=number, machine=fleet_number, at=at, known_at=known_at), at)


def answered(case: str, expected: str, answer: DailyCheck | Refusal) -> Outcome:
    """The outcome of a press of a button that the register answered."""
    return Outcome(case, expected, _told(answer), _sentences(answer))


def _told(answer: DailyCheck | Refusal) -> str:
    if isinstance(answer, Refusal):
        return _stopped_by(reason["code"] for reason in answer.verdict["reasons"])
    results = {"": "let through", "fit": "let through; fit for use", "do_not_use": "let through; do not use"}
    return results[answer.result]


def _stopped_by(codes: Iterable[str]) -> str:
    return "stopped: " + ", ".join(code.replace("_", " ") for code in codes)


def _told_verdict(verdict: Verdict) -> str:
    if verdict.is_allowed:
        return "let through"
    return _stopped_by(reason.code.value for reason in verdict.reasons)


def _sentences(answer: DailyCheck | Refusal) -> tuple[str, ...]:
    if isinstance(answer, Refusal):
        return tuple(f"{reason['sentence']} {reason['remedy']}" for reason in answer.verdict["reasons"])
    return tuple(answer.result_reasons)


def _let_through(cases: Cases) -> Iterator[Outcome]:
    number, fleet_number = cases.facts["authorised"], cases.facts["machine"]
    started = cases.start(number, fleet_number)
    answer = cases.finish(number, started)
    yield answered(
        f"{cases.name(number)} checks {fleet_number} and finds every point good.",
        "let through; fit for use",
        answer,
    )
    if isinstance(answer, Refusal):
        return
    by = cases.scenario.register.accounts[number.lower()]
    entries = JournalEntry.objects.filter(action="check.submitted")
    before = entries.count()
    again = start_check(by=by, check_id=answer.pk, machine=cases.machine(fleet_number))
    again = submit_check(by=by, daily_check=again, hour_meter=answer.hour_meter)
    same = again.pk == answer.pk and again.submitted_at == answer.submitted_at
    counted = DailyCheck.objects.filter(pk=answer.pk).count() + entries.count() - before
    times = "once" if counted == 1 else f"{counted} times"
    yield Outcome(
        "The signal drops, and the tablet sends the same check a second time.",
        "the same check comes back; it counts once",
        f"{'the same' if same else 'another'} check comes back; it counts {times}",
    )


def _stopped(cases: Cases) -> Iterator[Outcome]:
    for line in cases.scenario.content["stopped"]:
        answer = cases.start(line["operator"], line["machine"])
        yield answered(
            f"{cases.name(line['operator'])} asks for {line['machine']}: {line['case']}",
            _stopped_by(line["because"]),
            answer,
        )


def _in_the_dark(cases: Cases) -> Iterator[Outcome]:
    number, fleet_number = cases.facts["daylight_only"], cases.facts["machine"]
    dark_at, light_at = _last_time(cases, fleet_number, is_light=False), _last_time(cases, fleet_number)
    zone = ZoneInfo(cases.machine(fleet_number).site.zone)
    with as_if_at(dark_at):
        answer = cases.start(number, fleet_number)
    yield answered(
        f"{cases.name(number)} asks for {fleet_number} at {dark_at.astimezone(zone):%H:%M}, in the dark: "
        "the ticket is for daylight only.",
        "stopped: condition daylight",
        answer,
    )
    yield Outcome(
        f"The same at {light_at.astimezone(zone):%H:%M}, with the sun up.",
        "let through",
        _told_verdict(cases.ask(number, fleet_number, light_at, light_at)),
    )


def _last_time(cases: Cases, fleet_number: str, *, is_light: bool = True) -> datetime:
    """The latest quarter of an hour until now at which the sun is up, or down, where the machine stands."""
    site, moment = cases.machine(fleet_number).site, timezone.now()
    while is_daylight(site.latitude, site.longitude, moment) != is_light:
        moment -= timedelta(minutes=15)
    return moment


def _trainee(cases: Cases) -> Iterator[Outcome]:
    number, fleet_number = cases.facts["trainee"], cases.facts["trainee_machine"]
    supervisor, unfit = cases.facts["authorised"], cases.facts["supervisor_not_authorised"]
    name, by_name = cases.name(number), cases.name(supervisor)
    alone = cases.start(number, fleet_number)
    yield answered(f"{name}, a trainee, asks for {fleet_number} alone.", "stopped: supervisor missing", alone)
    named = cases.start(number, fleet_number, **cases.supervision(supervisor, is_confirmed=False))
    yield answered(
        f"{name} names {by_name}, who has not signed in to confirm.",
        "stopped: supervisor not confirmed",
        named,
    )
    refused = cases.start(number, fleet_number, **cases.supervision(unfit, is_confirmed=True))
    yield answered(
        f"{name} names {cases.name(unfit)}, who confirms, but whose own ticket ended.",
        "stopped: supervisor not authorised",
        refused,
    )
    started = cases.start(number, fleet_number, **cases.supervision(supervisor, is_confirmed=True))
    answer = cases.finish(number, started)
    yield answered(
        f"{name} names {by_name}, who confirms with an own sign-in.", "let through; fit for use", answer
    )


def _stop_use(cases: Cases) -> Iterator[Outcome]:
    number, following, fleet_number = (cases.facts[k] for k in ("authorised", "next", "defect_machine"))
    started = cases.start(number, fleet_number)
    if isinstance(started, Refusal):
        yield answered(f"{cases.name(number)} checks {fleet_number}.", "let through", started)
        return
    found = cases.facts["defect"] | {"answer": "defect"}
    points = applicable_points(started.checklist, started.machine)
    point = next(listed.point for listed in points if listed.point.code == found["point"])
    answer = cases.finish(number, started, [found])
    yield answered(
        f"{cases.name(number)} finds a defect on {fleet_number} at a critical point, {point.title}.",
        "let through; do not use",
        answer,
    )
    answer = cases.finish(following, cases.start(following, fleet_number))
    yield answered(
        f"{cases.name(following)} is next, is authorised, and sees nothing wrong. The defect is still open.",
        "let through; do not use",
        answer,
    )
    admin = cases.scenario.who(started.machine.site.code, "admin")
    defect = Defect.objects.get(machine=started.machine, point_code=point.code, closed_at=None)
    close_defect(by=admin, defect=defect, done=cases.facts["repair"])
    answer = cases.finish(following, cases.start(following, fleet_number))
    yield answered(
        f"{admin.name}, site admin, closes it as repaired. {cases.name(following)} checks again.",
        "let through; fit for use",
        answer,
    )


def _two_times(cases: Cases) -> Iterator[Outcome]:
    facts = cases.facts["late_suspension"]
    number, fleet_number = facts["operator"], facts["machine"]
    zone = cases.machine(fleet_number).site.zone
    then = cases.scenario.almanac.moment(facts["at"], zone)
    known_then = cases.ask(number, fleet_number, then, then)
    known_now = cases.ask(number, fleet_number, then, now())
    day = f"{then.astimezone(ZoneInfo(zone)):%-d %B at %H:%M}"
    yield Outcome(
        f"{cases.name(number)} on {day}, by what the register said then: "
        "the suspension was not yet recorded.",
        "let through",
        _told_verdict(known_then),
    )
    yield Outcome(
        "The same moment, by what the register says now: the suspension was recorded late, "
        "from a moment before.",
        "stopped: ticket suspended",
        _told_verdict(known_now),
        tuple(reason.sentence for reason in known_now.reasons),
    )


def _record(cases: Cases) -> Iterator[Outcome]:
    """An auditor asks the record: both answers, what turned the one into the other, and what was stored."""
    for line in cases.scenario.content["record"]:
        machine = cases.machine(line["machine"])
        at = cases.scenario.almanac.moment(line["at"], machine.site.zone)
        operator = Operator.objects.with_state().get(number=line["operator"])
        answer = ask_record(operator=operator, machine=machine, site=machine.site, at=at, asked_at=now())
        rows = [link for turn in answer.turns for link in turn.links]
        stored = [("let through" if one.is_allowed else "stopped", one.is_same) for one in answer.stored]
        yield Outcome(
            f"The record is asked about {operator.name} on {line['machine']} on the morning of {at:%-d %B}.",
            _told_record(line["then"], line["now"], line["turned_by"], [(line["that_day"], True)]),
            _told_record(
                _told_verdict(answer.then.verdict),
                _told_verdict(answer.now.verdict),
                ", ".join(_turned_by(link.row) for link in rows),
                stored,
            ),
            tuple(sentence for turn in answer.turns for sentence in (*turn.sentences, turn.turned)),
        )


def _told_record(then: str, known_now: str, turned_by: str, stored: Iterable[tuple[str, bool]]) -> str:
    kept = ", ".join(f"{word}, {'as' if is_same else 'NOT as'} the record has it" for word, is_same in stored)
    return f"then {then}; now {known_now}; turned by the {turned_by}; that day: {kept or 'nothing kept'}"


def _turned_by(event: TicketEvent) -> str:
    kind = NOUNS[event.corrects.kind if event.corrects else event.kind]
    what = f"strike-out of a {kind}" if event.strikes_out else kind
    return f"{what} recorded by {event.recorded_by.name}"


def _journal(cases: Cases) -> Iterator[Outcome]:
    checkpoint = seal()
    report = verify()
    yield Outcome(
        f"The journal of {JournalEntry.objects.count()} entries is sealed and verified.",
        "every entry sealed; nothing was altered",
        f"{'every entry' if checkpoint and not report.unsealed else 'not everything'} sealed; "
        f"{'nothing' if report.is_well else f'{report.found.total()} problems:'} was altered",
        tuple(problem.sentence for problem in report.problems[:3]),
    )
    event = TicketEvent.objects.filter(
        ticket__operator__number=cases.facts["altered"], kind=TicketEvent.Kind.ISSUED
    ).latest("pk")
    named = f"ticket event “{event}” (key {event.pk})"
    with _throw_away_copy() as copy:
        with closing(sqlite3.connect(copy)) as rows, rows:
            rows.execute(
                "UPDATE competence_ticketevent SET last_day = date(last_day, '+2 years') WHERE id = ?",
                [event.pk],
            )
        with _reading(copy):
            found = verify()
    about = sorted({problem.subject for problem in found.problems})
    yield Outcome(
        f"In a throw-away copy of the database, somebody lengthens ticket {event.ticket.number} behind the "
        "register's back.",
        f"the alteration is found, in {named}",
        f"the alteration is found, in {', '.join(about)}" if about else "nothing is found",
        tuple(problem.sentence for problem in found.problems[:3]),
    )


@contextmanager
def _throw_away_copy() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="register-copy-"))
    try:
        copy = folder / "copy.sqlite3"
        connection.ensure_connection()
        with closing(sqlite3.connect(copy)) as target:
            connection.connection.backup(target)
        yield copy
    finally:
        shutil.rmtree(folder)


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Inside, the register reads the database at ``path`` instead of its own."""
    own = connection.settings_dict["NAME"]
    connection.close()
    connection.settings_dict["NAME"] = str(path)
    try:
        yield
    finally:
        connection.close()
        connection.settings_dict["NAME"] = own
