"""Bringing an old spreadsheet in: keeping the file while it is worked on, what its words mean, and the import
itself, in one transaction with one journal entry, through the rows that the ordinary actions make."""

import gc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from itertools import count
from typing import Any
from zoneinfo import ZoneInfo

from django.core.files.base import File
from django.db import connection, models, transaction
from django.db.models import OuterRef, Subquery

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import (
    Account,
    Category,
    Employer,
    Evidence,
    ImportedRow,
    ImportFile,
    Operator,
    OperatorState,
    RememberedWord,
    Site,
    Ticket,
    TicketEvent,
)
from competence.permissions import Right, require, require_everywhere, sites_with
from competence.queries.import_known import said_of
from competence.queries.import_plan import plan_import
from competence.queries.import_steps import PersonStep, Plan, Step
from competence.rules.dates import first_moment
from competence.rules.import_rows import Line, Meaning

Kind = TicketEvent.Kind
# Told at each stage: which, and how many rows have been written by then.
Tell = Callable[[str, int], None]
# Any number that nothing else in the database uses; it names the lock, and only here.
_IMPORT_LOCK = 0x696D706F7274
_MODEL_OF_KIND = {"categories": ("category", Category, "code"), "sites": ("site", Site, "code")}
_MODEL_OF_KIND["employers"] = ("employer", Employer, "name")


@transaction.atomic
def keep_import_file(
    *, by: Account, name: str, size: int, sha256: str, file: File | None, mapping: dict[str, Any]
) -> ImportFile:
    """Keep an uploaded file, and the first guess of how it is read, as a draft: no record yet."""
    require(by, Right.KEEP_PEOPLE)
    kept = ImportFile(
        name=name[:200], size=size, sha256=sha256, mapping=mapping, uploaded_by=by, uploaded_at=now()
    )
    if file is not None:
        kept.file.save(f"{sha256[:16]}{_ending(name)}", File(file), save=False)
    kept.save()
    return kept


def keep_mapping(
    *, by: Account, import_file: ImportFile, row_count: int | None = None, **changes: Any
) -> ImportFile:
    """Change how a draft is read; ``row_count``: of the sheet, where it is another one now."""
    with transaction.atomic():
        import_file = open_import(by, import_file)
        import_file.mapping = import_file.mapping | changes
        import_file.row_count = row_count or import_file.row_count
        import_file.save(update_fields=["mapping", "row_count"])
    return import_file


@transaction.atomic
def give_up_import(*, by: Account, import_file: ImportFile) -> ImportFile:
    """Put a draft away; its copy is deleted, and nothing was brought in."""
    import_file = open_import(by, import_file)
    import_file.status = ImportFile.Status.GIVEN_UP
    _let_go(import_file)
    import_file.save()
    return import_file


@transaction.atomic
def remember_words(*, by: Account, words: dict[str, dict[str, str]]) -> list[RememberedWord]:
    """Remember what words were taken to mean, to offer it the next time. ``words``: by ``categories``,
    ``sites`` or ``employers``, the folded word and the code or name; what is kept aside is not."""
    require(by, Right.KEEP_PEOPLE)
    known = {(one.kind, one.word): one for one in RememberedWord.objects.all()}
    changed = []
    for kind, (column, model, key) in _MODEL_OF_KIND.items():
        rows = {getattr(row, key): row for row in model.objects.all()}
        for word, meant in words.get(kind, {}).items():
            row, before = rows.get(meant), known.get((column, word[:200]))
            if row is None or (before is not None and getattr(before, f"{column}_id") == row.pk):
                continue
            one = before or RememberedWord(kind=column, word=word[:200])
            setattr(one, column, row)
            one.save()
            changed.append(one)
    if changed:
        record(by=by, action="import.words_kept", rows=changed)
    return changed


@transaction.atomic
def import_rows(
    *, by: Account, import_file: ImportFile, lines: Sequence[Line], meaning: Meaning, tell: Tell | None = None
) -> ImportFile:
    """Bring the lines in, all that have no problem, or nothing. A file that changes nothing leaves nothing
    behind: no row and no entry of the journal.

    Each line goes in under the rights of a site admin at the person's site, as the old record of a decision
    that was taken on paper; a trainer's decisions on tickets that the register holds are never undone by it.
    """
    tell = tell or (lambda stage, written: None)
    _take_turn()
    import_file = open_import(by, import_file)
    plan = plan_import(
        lines,
        meaning,
        sites=sites_with(by, Right.KEEP_PEOPLE),
        own=by.operator_id,
        moment=now(),
        locked=True,
    )
    tell("Held against the register", 0)
    import_file.report = plan.counts
    if plan.changes_nothing:
        import_file.status = ImportFile.Status.NOTHING_NEW
        _let_go(import_file)
        import_file.save()
        return import_file
    with collector_at_rest():
        _write(by, import_file, plan, tell)
    return import_file


def _take_turn() -> None:
    """One import at a time, until the transaction ends: two of one file would both enter its people. SQLite's
    transactions are IMMEDIATE, which is the same lock."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_IMPORT_LOCK])


def _write(by: Account, import_file: ImportFile, plan: Plan, tell: Tell) -> None:
    writing = _Writing(by, import_file, plan)
    writing.people()
    tell("People written", len(writing.rows))
    writing.tickets()
    tell("Tickets written", len(writing.rows))
    writing.facts()
    tell("Medicals, inductions and familiarisations written", len(writing.rows))
    import_file.status = ImportFile.Status.IMPORTED
    import_file.imported_by, import_file.imported_at = by, plan.known.moment
    _let_go(import_file)
    import_file.save()
    writing.what_became()
    tell("All rows written; writing the journal", len(writing.rows))
    record(
        by=by,
        action="import.brought_in",
        rows=[import_file, *writing.rows],
        reason=writing.reason,
        at=plan.known.moment,
    )


@contextmanager
def collector_at_rest() -> Iterator[None]:
    """Rows by the hundred thousand are made and all of them kept until the entry is written: looking through
    them for garbage again and again takes a quarter of the time and finds none."""
    was_at_work = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_at_work:
            gc.enable()


def require_import(by: Account, import_file: ImportFile) -> None:
    """A file that names people is for whoever sent it; with the right for every site, so is anybody's."""
    require(by, Right.KEEP_PEOPLE)
    if import_file.uploaded_by_id != by.pk:
        require_everywhere(by, Right.KEEP_PEOPLE)


def open_import(by: Account, import_file: ImportFile) -> ImportFile:
    """The draft, locked."""
    require_import(by, import_file)
    import_file = ImportFile.objects.select_for_update(of=("self",)).get(pk=import_file.pk)
    if import_file.status != ImportFile.Status.IN_PROGRESS:
        raise ActionRefused(f"This file is {import_file.get_status_display().lower()}; nothing was done.")
    return import_file


def _let_go(import_file: ImportFile) -> None:
    """The copy is needed no longer, nor is the one that was marked: its digest says which file it was."""
    if import_file.file:
        storage, name = import_file.file.storage, import_file.file.name
        for copy in (name, marked_name(import_file)):
            transaction.on_commit(lambda copy=copy: storage.delete(copy))
    import_file.file = ""


def marked_name(import_file: ImportFile) -> str:
    """Where a long file's marked copy stands, beside its own."""
    return f"{import_file.file.name}.marked.xlsx"


def _ending(name: str) -> str:
    ending = name.rpartition(".")[2].lower()
    return f".{ending}" if ending in ("xlsx", "ods", "csv", "txt") else ".bin"


class _Writing:
    """One import: rows are made in bulk, in the order in which they need each other's keys."""

    def __init__(self, by: Account, import_file: ImportFile, plan: Plan) -> None:
        self.by, self.plan, self.import_file = by, plan, import_file
        self.moment: datetime = plan.known.moment
        self.rows: list[models.Model] = []
        self.reason = f"Brought in from {import_file.name}"[:280]
        self.operators: dict[str, Operator] = dict(plan.known.operators)
        self.made: dict[int, Ticket] = {}
        self.good: list[Step] = [step for step in plan.steps if step.outcome != "left_out"]

    def _because(self, row: int) -> str:
        return f"{self.reason}, row {row}"

    def people(self) -> None:
        new = [step for step in self.plan.people.values() if step.is_new]
        operators = Operator.objects.bulk_create(
            Operator(
                number=step.person.number,
                given_name=step.columns["given_name"],
                family_name=step.columns["family_name"],
                started_on=step.columns["started_on"],
            )
            for step in new
        )
        states = OperatorState.objects.bulk_create(
            self._state(operator, step, step.columns["employer"], step.columns["site"])
            for operator, step in zip(operators, new, strict=True)
        )
        if operators:
            newest = OperatorState.objects.filter(operator=OuterRef("pk")).order_by("-pk").values("pk")[:1]
            first = min(operator.pk for operator in operators)
            Operator.objects.filter(state__isnull=True, pk__gte=first).update(state=Subquery(newest))
        for operator, state in zip(operators, states, strict=True):
            operator.state = state
            self.operators[operator.number] = operator
        self.rows += [*operators, *states]
        for step in self.plan.people.values():
            if not step.is_new and step.columns:
                self._change(step)

    def _state(self, operator: Operator, step: PersonStep, employer: Employer, site: Site) -> OperatorState:
        return OperatorState(
            operator=operator,
            effective_at=self.moment,
            recorded_at=self.moment,
            is_active=step.is_new or step.operator.state.is_active,
            employer=employer,
            site=site,
            reason=self._because(step.person.first_row),
        )

    def _change(self, step: PersonStep) -> None:
        operator, columns = step.operator, step.columns
        for name in ("given_name", "family_name", "started_on"):
            if name in columns:
                setattr(operator, name, columns[name])
        if "employer" in columns or "site" in columns:
            held = operator.state
            state = self._state(
                operator, step, columns.get("employer", held.employer), columns.get("site", held.site)
            )
            state.save()
            operator.state = state
            self.rows.append(state)
        operator.full_clean(exclude=["state"])
        operator.save()
        self.rows.append(operator)

    def tickets(self) -> None:
        granted = [step for step in self.good if step.grant is not None]
        next_number: dict[int, count[int]] = {}
        new: list[Ticket] = []
        events: list[TicketEvent] = []
        first_moments: dict[tuple[str, Any], datetime] = {}
        for step in granted:
            operator = self.operators[step.line.number]
            if step.ticket is None:
                numbers = next_number.setdefault(
                    operator.pk, count(self.plan.known.ticket_counts[operator.pk] + 1)
                )
                ticket = Ticket(
                    number=f"{operator.number}-{next(numbers)}", operator=operator, category=step.category
                )
                new.append(ticket)
                key = (operator.state.site.zone, step.grant[1])
                if key not in first_moments:
                    first_moments[key] = min(self.moment, first_moment(step.grant[1], ZoneInfo(key[0])))
                self._put(ticket, step, first_moments[key])
                events.append(self._event(ticket, step, Kind.ISSUED, first_moments[key], 1))
            else:
                ticket = step.ticket
            self.made[id(step)] = ticket
        Ticket.objects.bulk_create(new)
        changed = [step for step in granted if step.ticket is not None]
        if changed:
            keys = [step.ticket.pk for step in changed]
            sequences = dict(
                TicketEvent.objects.filter(ticket__in=keys)
                .order_by()
                .values_list("ticket")
                .annotate(models.Max("sequence"))
            )
            for step in changed:
                kind = Kind.RENEWED if step.grant[2] > step.ticket.last_day else Kind.VARIED
                self._put(step.ticket, step, self.moment)
                events.append(
                    self._event(step.ticket, step, kind, self.moment, sequences[step.ticket.pk] + 1)
                )
            Ticket.objects.bulk_update(
                [step.ticket for step in changed], ["level", "first_day", "last_day", "since"], batch_size=200
            )
        TicketEvent.objects.bulk_create(events)
        self.rows += [*new, *(step.ticket for step in changed), *events]

    def _put(self, ticket: Ticket, step: Step, since: datetime) -> None:
        ticket.level, ticket.first_day, ticket.last_day = step.grant
        ticket.since = since

    def _event(
        self, ticket: Ticket, step: Step, kind: Kind, effective_at: datetime, sequence: int
    ) -> TicketEvent:
        level, first_day, last_day = step.grant
        return TicketEvent(
            ticket=ticket,
            sequence=sequence,
            kind=kind,
            effective_at=effective_at,
            recorded_at=self.moment,
            recorded_by=self.by,
            reason=self._because(step.line.row),
            level=level,
            first_day=first_day,
            last_day=last_day,
            conditions={} if kind is Kind.ISSUED else None,
            standard_version=step.standard,
        )

    def facts(self) -> None:
        source = self.import_file.name[:120]
        made = Evidence.objects.bulk_create(
            Evidence(
                operator=self.operators[step.line.number],
                kind=kind,
                site_id=site,
                machine_model=model,
                occurred_on=day,
                counts_to=to,
                came_from=f"Old spreadsheet {source}, row {step.line.row}",
                recorded_at=self.moment,
                recorded_by=self.by,
                corrects_id=corrects,
                reason=self._because(step.line.row) if corrects else "",
            )
            for step in self.good
            for (kind, site, model, day, to), corrects in step.facts
        )
        self.rows += made

    def what_became(self) -> None:
        self.rows += ImportedRow.objects.bulk_create(self._became(step) for step in self.plan.steps)

    def _became(self, step: Step) -> ImportedRow:
        line = step.line
        if line.problems:
            return ImportedRow(
                file=self.import_file, row=line.row, outcome="left_out", told=" ".join(line.problems), said={}
            )
        person = self.plan.people[line.number].person
        is_first = step.brings_person or step.changes_person
        ticket = self.made.get(id(step)) or step.ticket
        return ImportedRow(
            file=self.import_file,
            row=line.row,
            outcome=step.outcome,
            operator=self.operators[line.number],
            category=step.category,
            ticket=ticket,
            told=" ".join(line.remarks),
            said=said_of(line, person if is_first else None, step.grant, step.raws),
        )
