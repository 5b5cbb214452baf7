"""Erasing what the register holds of a person, or one record's own words or picture, and keeping the
firm's rules of keeping. Nothing erases by itself: a person decides, says why, and the journal keeps it."""

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date
from typing import Any

from django.contrib.auth.hashers import make_password
from django.db import models, transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import (
    Account,
    ErasedRow,
    Erasure,
    JournalEntry,
    JournalledRow,
    KeepingRule,
    Operator,
    Site,
)
from competence.models.base import ERASED_DIGEST, overwrite_for_erasure
from competence.models.personal import PERSONAL, Personal, Way
from competence.permissions import Right, require, require_everywhere, require_where
from competence.queries.erasing import (
    ErasableColumn,
    Subject,
    entries_about,
    journalled_keys,
    mentioning,
    rows_of_subject,
    still_kept,
)
from competence.queries.journal_erasures import OF_ENTRIES, left_of
from competence.rules.dates import day_at
from competence.rules.forgetting import Forgotten, verdict_without, without
from competence.rules.retention import Anchor, RecordKind

log = logging.getLogger(__name__)


@transaction.atomic
def keep_rule(
    *, by: Account, kind: str, site: Site | None, anchor: str, months: int, source: str
) -> KeepingRule:
    """Say for how long the firm keeps a kind of record; no months ends the rule before it. It can only
    lengthen what the law asks: the rule of keeping takes the longest of all."""
    require_where(by, Right.ERASE, site)
    kind, anchor = RecordKind(kind), Anchor(anchor)
    if anchor is Anchor.CLOSED and kind is not RecordKind.DEFECT:
        raise ActionRefused("Only a defect is put right; count from another day.", field="anchor")
    if anchor is Anchor.LEFT and kind is RecordKind.DEFECT:
        raise ActionRefused("A defect is a machine's, and nobody leaves with it.", field="anchor")
    rule = KeepingRule(
        kind=kind.value,
        site=site,
        anchor=anchor.value,
        months=months,
        source=source,
        recorded_at=now(),
        recorded_by=by,
    )
    rule.full_clean()
    rule.save()
    record(by=by, action="keepingrule.kept", rows=[rule])
    return rule


@transaction.atomic
def erase_person(*, by: Account, whom: Operator | Account, why: str, typed: str) -> Erasure:
    """Erase all that the register holds of somebody: their particulars, what was written about them, pictures
    of them, and the journal's images of those rows.

    ``typed``: their number, typed by whoever decides. Refused, with what is still kept and to which day,
    while a rule asks for any record of theirs; and for whoever is erased already.
    """
    require_everywhere(by, Right.ERASE)
    subject = _locked(whom)
    if by.pk == (subject.account and subject.account.pk):
        raise ActionRefused("Nobody erases themself: another site admin decides.")
    if subject.is_erased:
        raise ActionRefused(f"{subject.name} was erased already. There is nothing left to erase.")
    if typed.strip().casefold() != subject.number.casefold():
        raise ActionRefused(f"Type {subject.number} to say whom you mean.", field="typed")
    today = day_at(now(), subject.zone)
    kept = still_kept(subject, today)
    if kept:
        told = " ".join(f"{one.words}: {one.kept.words}." for one in kept)
        raise ActionRefused(f"Nothing was erased, because the law or the firm still asks for records. {told}")
    _refuse_naming(why, subject)
    ground = [one.as_plain() for one in subject.kept(today)]
    erasing = _Erasing(by, subject.forgotten(today))
    erasing.begin(kind=Erasure.Kind.PERSON, subject=subject, why=why, ground=ground)
    for label, rows in rows_of_subject(subject):
        for row in rows:
            erasing.overwrite(row, _columns_of(row, PERSONAL[label], erasing.person))
    for row, columns in mentioning(subject):
        erasing.overwrite(row, {name: without(getattr(row, name), erasing.person) for name in columns})
    erasing.forget_reasons(entries_about(erasing.touched))
    return erasing.finish()


@transaction.atomic
def erase_record(*, by: Account, column: ErasableColumn, why: str) -> Erasure:
    """Erase one row's own words or picture, such as a photograph that shows somebody. Refused while a rule
    asks for that record."""
    require_everywhere(by, Right.ERASE)
    row = type(column.row)._base_manager.select_for_update(of=("self",)).get(pk=column.row.pk)
    column = ErasableColumn(row, column.name)
    if column.is_erased:
        raise ActionRefused("That was erased already, or there is nothing in it.")
    return _erase_columns(by, [column], why)


@transaction.atomic
def take_photograph_away(*, by: Account, operator: Operator, why: str) -> Erasure:
    """Erase an operator's photograph and every older one of them, without erasing the person: it is on record
    because they were asked, and they may think again. Whoever keeps people at their site may; refused while a
    rule of the firm asks for it."""
    operator = Operator.objects.select_for_update(of=("self",)).get(pk=operator.pk)
    require(by, Right.KEEP_PEOPLE, site=operator.site)
    rows = operator.photographs.select_for_update(of=("self",)).order_by("pk")
    columns = [column for row in rows if not (column := ErasableColumn(row, "photograph")).is_erased]
    if not columns:
        raise ActionRefused("There is no photograph on record.")
    _refuse_naming(why, Subject.of_operator(operator))
    return _erase_columns(by, columns, why)


def _erase_columns(by: Account, columns: list[ErasableColumn], why: str) -> Erasure:
    """Erase these, of rows that are locked, in one act. Refused while a rule asks for one of them."""
    today = now().astimezone(UTC).date()
    ground = []
    for column in columns:
        kept = column.kept(today)
        if not kept.is_past(today):
            raise ActionRefused(f"This is still needed, so nothing was erased: {kept.words}.")
        ground.append({"kind": column.kind.value, "rows": 1, "until": _iso(kept.until), "words": kept.words})
    first = columns[0].row.pk
    erasing = _Erasing(by, Forgotten(today, first if isinstance(first, int) else 0))
    erasing.begin(kind=Erasure.Kind.RECORD, subject=None, why=why, ground=ground)
    for column in columns:
        way = Way.PHOTOGRAPH if column.is_photograph else Way.MARK
        erasing.overwrite(column.row, _overwritten(column.row, column.name, way, erasing.person))
    return erasing.finish()


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _locked(whom: Operator | Account) -> Subject:
    """The person with their row locked, so that nobody else changes or erases it meanwhile."""
    if isinstance(whom, Operator):
        return Subject.of_operator(Operator.objects.select_for_update(of=("self",)).get(pk=whom.pk))
    return Subject.of_account(Account.objects.select_for_update(of=("self",)).get(pk=whom.pk))


def _refuse_naming(why: str, subject: Subject) -> None:
    """A reason that names the person would keep what is to be forgotten."""
    if without(why, subject.forgotten(date.min)) != why:
        raise ActionRefused(
            "The reason names the person. Say why without the name or a number: it is kept.", field="why"
        )


@dataclass
class _Erasing:
    """One act of erasing under way: what was overwritten, and what is still to be written down of it."""

    by: Account
    person: Forgotten
    erasure: Erasure | None = None
    touched: list[models.Model] = field(default_factory=list)
    lines: list[ErasedRow] = field(default_factory=list)
    files: list[models.fields.files.FieldFile] = field(default_factory=list)

    def begin(self, *, kind: Erasure.Kind, subject: Subject | None, why: str, ground: list[Any]) -> None:
        self.erasure = Erasure(
            at=now(),
            by=self.by,
            kind=kind,
            operator=subject.operator if subject else None,
            account=subject.account if subject else None,
            why=why,
            ground=ground,
        )
        self.erasure.full_clean(exclude=["ground"])
        self.erasure.save()

    def overwrite(self, row: models.Model, columns: dict[str, Any]) -> None:
        """Overwrite the columns that would change, and the journal's images of the row."""
        changed = {name: value for name, value in columns.items() if _stored(row, name) != value}
        if not changed:
            return
        for name in changed:
            held = getattr(row, name)
            if isinstance(held, models.fields.files.FieldFile) and held:
                # A copy: the row's own forgets its name with the next line.
                self.files.append(type(held)(held.instance, held.field, held.name))
        overwrite_for_erasure(row, changed)
        images = JournalledRow.objects.filter(kind=row._meta.label_lower, key=str(row.pk))
        count = images.update(content=None, salt=None)
        self.lines.append(self._line(row._meta.label_lower, str(row.pk), sorted(changed), count))
        self.touched.append(row)

    def _line(self, kind: str, key: str, columns: list[str], images: int, left_as: str = "") -> ErasedRow:
        return ErasedRow(
            erasure=self.erasure, kind=kind, key=key, columns=columns, images=images, left_as=left_as
        )

    def forget_reasons(self, entries: Iterable[JournalEntry]) -> None:
        """Take the reasons out of entries that speak of this person alone. The leaf stands, so the tree does;
        what is left of each entry is committed to by this erasure."""
        entries = list(entries)
        models.prefetch_related_objects(entries, "rows")
        for entry in entries:
            overwrite_for_erasure(entry, {"reason": self.person.mark})
            rows = sorted(entry.rows.all(), key=lambda row: row.pk)
            told = [(row.kind, row.key, row.commitment) for row in rows]
            self.lines.append(self._line(OF_ENTRIES, str(entry.pk), ["reason"], 0, left_of(entry, told)))

    def finish(self) -> Erasure:
        """Write down every row that was overwritten, and in the journal what was left of each."""
        if self.erasure is None or not self.lines:
            raise ActionRefused("There is nothing to erase.")
        for line in self.lines:
            line.save()
        known = journalled_keys(self.touched)
        left = [row for row in self.touched if (row._meta.label_lower, str(row.pk)) in known]
        record(
            by=self.by,
            action="erasure.made",
            rows=[self.erasure, *self.lines, *left],
            reason=self.erasure.why,
            at=self.erasure.at,
        )
        files = list(self.files)
        transaction.on_commit(lambda: _delete(files))
        return self.erasure


def _delete(files: Iterable[models.fields.files.FieldFile]) -> None:
    """The pictures' files, once it is certain that their rows are overwritten."""
    for file in files:
        try:
            file.storage.delete(file.name)
        except OSError:
            log.exception("The erased photograph %s could not be deleted: delete it by hand.", file.name)


def _stored(row: models.Model, name: str) -> Any:
    value = getattr(row, name)
    return value.name or "" if isinstance(value, models.fields.files.FieldFile) else value


def _columns_of(row: models.Model, told: Personal, person: Forgotten) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, way in told.erases.items():
        found |= _overwritten(row, name, way, person)
    return found


def _overwritten(row: models.Model, name: str, way: Way, person: Forgotten) -> dict[str, Any]:
    """What the columns of a row hold once ``name`` is erased in one of the ways."""
    value = getattr(row, name)
    if way is Way.PHOTOGRAPH:
        return _without_picture(row, name, person) if value else {}
    is_empty = value in (None, "")
    made: dict[Way, Any] = {
        Way.MARK: value if is_empty else person.mark,
        Way.WORD: person.name.split()[0],
        Way.DAY_WORD: person.on.isoformat(),
        Way.BLANK: "",
        Way.NONE: None,
        Way.NOTHING_IN_IT: {},
        Way.DROPPED: value if value == "sent" else "dropped",
        Way.NO: False,
        Way.YEAR: value.replace(month=1, day=1) if isinstance(value, date) else value,
        Way.SINCE: value or now(),
    }
    if way is Way.NUMBER:
        return {name: _number(row, name)}
    if way is Way.PASSWORD:
        return {name: value if value.startswith("!") else make_password(None)}
    if way is Way.VERDICT:
        return {name: verdict_without(value, person)}
    return {name: made[way]}


def _number(row: models.Model, name: str) -> str:
    """Another number, by the row's own key: unique as that is, and short enough for its column."""
    longest = row._meta.get_field(name).max_length or 20
    key = str(row.pk)
    return (f"ERASED-{key}" if len(key) + 7 <= longest else f"E{key}"[:longest]).upper()


def _without_picture(row: models.Model, name: str, person: Forgotten) -> dict[str, Any]:
    """The file goes; that there was one stays. A row that was nothing but a picture says so in words."""
    columns: dict[str, Any] = {name: "", f"{name}_sha256": ERASED_DIGEST}
    if not row._meta.get_field(name).blank:
        columns[name] = ERASED_DIGEST
    if hasattr(row, "text") and not row.text:
        columns["text"] = person.mark
    return columns
