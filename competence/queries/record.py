"""Asking the record: what was true at a past moment, what the register said then, and what changed its mind.

``ask_record`` is the one way in; what it returns is plain and complete, for a screen, a terminal or a paper.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Min

from competence.models import Checkpoint, DailyCheck, JournalEntry, Machine, Operator, Refusal, Site
from competence.queries.checkpoints import latest_checkpoint
from competence.queries.gate_answers import Fact, facts_in_words, sentence_with_names
from competence.queries.record_chain import Asked, Chain, Link, Place, chain_behind
from competence.queries.record_rows import (
    Mark,
    Rows,
    checks_about_then,
    marks_of,
    moment_of,
    named,
    rows_of_record,
)
from competence.queries.record_words import sentence, turn_sentence, wording
from competence.queries.refusals import WHOSE_MOVE, ShownReason
from competence.queries.ticket_lists import Names, names
from competence.queries.timeline import moment_words
from competence.rules.gate import Verdict, decide
from competence.rules.hindsight import (
    ChangeOfMind,
    Record,
    RowKind,
    changes_of_mind,
    known_since,
    snapshot_as_known,
    verdict_as_known,
    written_down,
)
from competence.rules.reasons import Reason, long_date


@dataclass(frozen=True)
class KnownAnswer:
    """The verdict as known at one moment, in words, with the facts that it rested on.

    ``gap``: why the register could not know better by then; empty where it knew of both. ``is_blank``: it
    had not begun.
    """

    known_at: datetime
    verdict: Verdict
    reasons: tuple[ShownReason, ...]
    facts: tuple[tuple[str, tuple[Fact, ...]], ...]
    gap: str = ""
    is_blank: bool = False


@dataclass(frozen=True)
class Turn:
    """One change of mind in words: a sentence for each row written down then, and what they turned."""

    change: ChangeOfMind
    links: tuple[Link, ...]
    sentences: tuple[str, ...]
    turned: str

    @property
    def rows(self) -> tuple[tuple[Link, str], ...]:
        return tuple(zip(self.links, self.sentences, strict=True))


@dataclass(frozen=True)
class Stored:
    """A check started or refused about then, with the verdict kept with it, and what the record says today
    that the register must have answered then. ``is_same``: the two say the same, for the same reasons."""

    row: DailyCheck | Refusal
    at: datetime
    is_allowed: bool
    reasons: tuple[str, ...]
    computed: Verdict
    is_same: bool
    supervisor: str
    is_confirmed: bool
    place: Place | None

    @property
    def is_check(self) -> bool:
        return isinstance(self.row, DailyCheck)

    @property
    def proof(self) -> tuple[str, str]:
        """The stored row, as its page of proof is named."""
        return ("check" if self.is_check else "refusal"), str(self.row.pk)

    @property
    def result(self) -> str:
        """What became of a check: its result, or that it was never submitted."""
        if not isinstance(self.row, DailyCheck):
            return ""
        return self.row.get_result_display() or f"{self.row.get_status_display()}, never submitted"


@dataclass(frozen=True)
class RecordAnswer:
    """Everything that the record says about one person, one machine and one moment.

    ``site`` is where the machine stood then, whose clock every moment is read on. ``now`` and ``then`` are
    the answers as known when it was asked and at the moment itself (or when it was asked, for a moment to
    come); ``third`` as known at one more moment, where one was given. ``turns`` are all changes of mind from
    the earliest of these moments on. ``later_rows``: how many rows about the question were written down
    after it. ``notes``: what the reader must know of the limits of the answer.
    """

    operator: Operator
    machine: Machine
    site: Site
    at: datetime
    asked_at: datetime
    now: KnownAnswer
    then: KnownAnswer
    third: KnownAnswer | None
    turns: tuple[Turn, ...]
    later_rows: int
    supervisor: Operator | None
    supervisor_was_stored: bool
    is_confirmed: bool
    stored: tuple[Stored, ...]
    chain: Chain | None
    notes: tuple[str, ...]
    checkpoint: Checkpoint | None

    @property
    def answers(self) -> tuple[KnownAnswer, ...]:
        return (self.now, self.then, *filter(None, [self.third]))

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    @property
    def is_to_come(self) -> bool:
        return self.at > self.asked_at


def ask_record(
    *,
    operator: Operator,
    machine: Machine,
    site: Site,
    at: datetime,
    asked_at: datetime,
    known_at: datetime | None = None,
    supervisor: Operator | None = None,
    with_chain: bool = True,
) -> RecordAnswer:
    """What the record says about ``operator`` on ``machine`` at ``at``. At most 24 statements, and those of
    ``CHAIN_LINKS``, however long the record.

    ``operator`` and ``machine`` come with their states; ``site`` is where the machine stood. A
    ``supervisor`` who is named is taken to have confirmed; without one, whoever the stored check or refusal
    nearest to the moment names counts as it says. ``with_chain``: with the evidence behind it.
    """
    about_then = checks_about_then(operator, machine, at)
    supervisions = [_supervision(row) for row in about_then]
    others = {number for number, _ in supervisions if number} - {operator.number}
    found = {one.number: one for one in Operator.objects.filter(number__in=others)}
    stored_number, stored_confirmed = next((one for one in supervisions if one[0]), ("", False))
    was_stored = supervisor is None and stored_number in found
    named_supervisor = found[stored_number] if was_stored else supervisor
    is_confirmed = stored_confirmed if was_stored else supervisor is not None
    people = {one.pk: one for one in (operator, named_supervisor, *found.values()) if one is not None}
    rows = rows_of_record(list(people.values()), machine)
    record = Record(
        rows.people[operator.number],
        rows.machine,
        rows.people[named_supervisor.number] if named_supervisor else None,
        is_confirmed,
    )
    maker = _Maker(rows, record, at, asked_at, site, names())
    maker.read_marks(about_then)
    then = min(at, asked_at)
    answers = {moment: maker.answer(moment) for moment in {asked_at, then, known_at} if moment}
    since = min(answers)
    chain = None
    if with_chain:
        asked = Asked(at, asked_at, then, maker.zone, ZoneInfo(operator.site.zone), maker.sealed_size)
        snapshot = snapshot_as_known(record, at=at, known_at=asked_at)
        verdicts = [one.verdict for one in answers.values()]
        chain = chain_behind(rows, rows.people[operator.number], snapshot, verdicts, asked, maker.names)
    return RecordAnswer(
        operator=operator,
        machine=machine,
        site=site,
        at=at,
        asked_at=asked_at,
        now=answers[asked_at],
        then=answers[then],
        third=answers[known_at] if known_at else None,
        turns=tuple(map(maker.turn, maker.changes(since))),
        later_rows=sum(since < moment <= asked_at for moment in written_down(record).values()),
        supervisor=named_supervisor,
        supervisor_was_stored=was_stored,
        is_confirmed=is_confirmed,
        stored=tuple(maker.stored(*one) for one in zip(about_then, supervisions, strict=True)),
        chain=chain,
        notes=tuple(maker.notes()),
        checkpoint=maker.checkpoint,
    )


def _supervision(row: DailyCheck | Refusal) -> tuple[str, bool]:
    """The supervising operator's number that a stored verdict holds, and whether they had confirmed."""
    held = (row.verdict.get("facts") or {}).get("supervision") or {}
    return (held.get("person") or {}).get("number", ""), bool(held.get("is_confirmed"))


class _Maker:
    """Puts one record into words; holds what every part of the answer needs."""

    def __init__(
        self, rows: Rows, record: Record, at: datetime, asked_at: datetime, site: Site, named_now: Names
    ) -> None:
        """Two statements."""
        self.rows, self.record, self.at, self.asked_at, self.names = rows, record, at, asked_at, named_now
        self.site, self.zone = site, ZoneInfo(site.zone)
        first_entry = JournalEntry.objects.aggregate(first=Min("at"))["first"]
        self.began = min(filter(None, [first_entry, *written_down(record).values()]), default=None)
        self.known_since = known_since(record)
        self.checkpoint = latest_checkpoint()
        self.sealed_size = self.checkpoint.size if self.checkpoint else 0
        self.marks: dict[tuple[str, str], Mark] = {}

    def read_marks(self, stored: Iterable[DailyCheck | Refusal]) -> None:
        """One statement."""
        kept = [row for key, row in self.rows.by_key.items() if key.kind is not RowKind.OPERATOR]
        self.marks = dict(marks_of([named(row) for row in [*kept, *stored]]))

    def answer(self, known_at: datetime) -> KnownAnswer:
        facts = snapshot_as_known(self.record, at=self.at, known_at=known_at)
        verdict = decide(facts, self.at)
        is_blank = self.began is None or known_at < self.began
        return KnownAnswer(
            known_at,
            verdict,
            tuple(map(self._shown, verdict.reasons)),
            tuple(facts_in_words(facts, self.at, self.site.zone, self.names)),
            self._gap(known_at, is_blank),
            is_blank,
        )

    def _shown(self, reason: Reason) -> ShownReason:
        since = long_date(reason.since) if reason.since else ""
        words = sentence_with_names(reason.sentence, self.names)
        return ShownReason(words, since, reason.remedy, WHOSE_MOVE[reason.move])

    def _gap(self, known_at: datetime, is_blank: bool) -> str:
        if self.known_since is None or known_at >= self.known_since:
            return ""
        answers_from = f"About both it can answer from {moment_words(self.known_since, self.zone)}."
        if is_blank and self.began:
            first = moment_words(self.began, self.zone)
            return f"The register knew nothing yet: its first entry is of {first}. {answers_from}"
        person, machine = self.record.person, self.record.machine
        missing = [
            name
            for name, states in (
                (person.name if person else "", person.states if person else ()),
                (machine.number if machine else "", machine.states if machine else ()),
            )
            if not any(state.recorded_at <= known_at for state in states)
        ]
        return f"Nothing was written down of {' or '.join(missing)} yet. {answers_from}"

    def changes(self, since: datetime) -> tuple[ChangeOfMind, ...]:
        return changes_of_mind(self.record, at=self.at, since=since, until=self.asked_at)

    def turn(self, change: ChangeOfMind) -> Turn:
        links = tuple(
            Link(row, wording(key.kind, row, self._mark(key.kind, row), self.zone, self.names), place)
            for key in change.rows
            for row in [self.rows.by_key[key]]
            for place in [self._place(key.kind, row)]
        )
        sentences = tuple(sentence(link.worded, self.zone) for link in links)
        return Turn(change, links, sentences, turn_sentence(change))

    def _mark(self, kind: RowKind, row: Any) -> Mark | None:
        return None if kind is RowKind.OPERATOR else self.marks.get(named(row))

    def _place(self, kind: RowKind, row: Any) -> Place | None:
        if kind is RowKind.OPERATOR:
            return Place(row.entry, row.position is not None and row.position < self.sealed_size)
        return self._place_of(self.marks.get(named(row)))

    def _place_of(self, mark: Mark | None) -> Place | None:
        if mark is None:
            return None
        return Place(mark.entry, mark.position is not None and mark.position < self.sealed_size)

    def stored(self, row: DailyCheck | Refusal, supervision: tuple[str, bool]) -> Stored:
        at, (number, is_confirmed) = moment_of(row), supervision
        supervisor = self.rows.people.get(number)
        asked = Record(self.record.person, self.record.machine, supervisor, is_confirmed)
        computed = verdict_as_known(asked, at=at, known_at=at)
        reasons = [Reason.from_plain(plain) for plain in row.verdict.get("reasons", [])]
        is_allowed = isinstance(row, DailyCheck) and not reasons
        return Stored(
            row=row,
            at=at,
            is_allowed=is_allowed,
            reasons=tuple(sentence_with_names(one.sentence, self.names) for one in reasons),
            computed=computed,
            is_same=is_allowed is computed.is_allowed and _grounds(reasons) == _grounds(computed.reasons),
            supervisor=f"{supervisor.name} ({number})" if supervisor else "",
            is_confirmed=is_confirmed,
            place=self._place_of(self.marks.get(named(row))),
        )

    def notes(self) -> Iterable[str]:
        """What the reader must know of the limits of the answer."""
        if self.at > self.asked_at:
            yield "This moment is still to come: the answer is as things stand now."
        began = self._effective_since()
        if began is not None and self.at < began:
            yield (
                f"What the register holds of the two counts from {moment_words(began, self.zone)}: "
                "of before, it holds nothing and refuses."
            )
        elif self.began is not None and self.at < self.began:
            yield (
                f"This moment is before the register began, on {moment_words(self.began, self.zone)}: it is "
                "answered by what was written down later as having counted already."
            )

    def _effective_since(self) -> datetime | None:
        person, machine = self.record.person, self.record.machine
        if person is None or machine is None or not person.states or not machine.states:
            return None
        return max(
            min(state.effective_at for state in person.states),
            min(state.effective_at for state in machine.states),
        )


def _grounds(reasons: Iterable[Reason]) -> Collection[tuple[Any, ...]]:
    """Reasons for comparing: a name that was put right since does not make another reason of one."""
    return {(reason.code, reason.since) for reason in reasons}


def as_plain(answer: RecordAnswer) -> dict[str, Any]:
    """The answer for a program: every verdict whole, and each change of mind with the rows that made it."""
    third = {"as_known_then": answer.then, "as_known_at": answer.third}
    return {
        "operator": answer.operator.number,
        "machine": answer.machine.fleet_number,
        "site": answer.site.code,
        "at": answer.at.isoformat(),
        "asked_at": answer.asked_at.isoformat(),
        "supervisor": answer.supervisor.number if answer.supervisor else None,
        "as_known_now": _plain_known(answer.now),
        **{name: _plain_known(known) for name, known in third.items() if known is not None},
        "changes_of_mind": [_plain_turn(turn) for turn in answer.turns],
        "stored": [
            {
                "kind": "check" if stored.is_check else "refusal",
                "id": str(stored.row.pk),
                "at": stored.at.isoformat(),
                "allowed": stored.is_allowed,
                "as_computed": stored.is_same,
            }
            for stored in answer.stored
        ],
        "notes": list(answer.notes),
        "checkpoint": answer.checkpoint.size if answer.checkpoint else None,
    }


def _plain_known(known: KnownAnswer) -> dict[str, Any]:
    return {"known_at": known.known_at.isoformat(), "gap": known.gap, **known.verdict.as_plain()}


def _plain_turn(turn: Turn) -> dict[str, Any]:
    return {
        "recorded_at": turn.change.recorded_at.isoformat(),
        "before": turn.change.before.as_plain(),
        "after": turn.change.after.as_plain(),
        "says": [*turn.sentences, turn.turned],
        "entries": [link.place.entry for link in turn.links if link.place],
    }
