"""Whom an erasure is about, which rows it reaches, and what still has to be kept."""

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db import models
from django.db.models import Q, TextField
from django.db.models.functions import Cast

from competence.models import Account, Card, Erasure, JournalEntry, JournalledRow, Operator, Ticket
from competence.models.base import ERASED_DIGEST
from competence.models.personal import PERSONAL, Personal
from competence.queries.keeping import (
    KeptKind,
    clauses_of,
    closed_on,
    kept_of,
    kept_of_staff,
    left_on,
    policy,
    rows_about,
)
from competence.rules.dates import day_at
from competence.rules.forgetting import Forgotten, without
from competence.rules.retention import Kept, RecordFacts, RecordKind, keep

# Keys asked for at once: some databases take no more than so many values in a statement.
AT_ONCE = 500


@dataclass(frozen=True)
class Subject:
    """A person: an operator with the account that is theirs, or an account that is nobody's but staff's."""

    operator: Operator | None
    account: Account | None

    @classmethod
    def of_operator(cls, operator: Operator) -> "Subject":
        return cls(operator, Account.objects.filter(operator=operator).first())

    @classmethod
    def of_account(cls, account: Account) -> "Subject":
        return cls(account.operator, account)

    @property
    def name(self) -> str:
        return (self.operator or self.account).name  # type: ignore[union-attr]

    @property
    def number(self) -> str:
        """What a person types to say whom they mean."""
        return self.operator.number if self.operator else self.account.username  # type: ignore[union-attr]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.operator.site.zone if self.operator else "UTC")

    @cached_property
    def is_erased(self) -> bool:
        mine = Q(operator=self.operator) if self.operator else Q(account=self.account)
        return Erasure.objects.filter(mine, kind=Erasure.Kind.PERSON).exists()

    @cached_property
    def left_on(self) -> date | None:
        """The day on which they left, or their account was closed."""
        if self.operator:
            return left_on(self.operator)
        return closed_on(self.account) if self.account else None

    def kept(self, today: date) -> list[KeptKind]:
        """Every kind of record of theirs, and to which day it is kept."""
        if self.operator:
            return kept_of(self.operator, self.left_on, today)
        return kept_of_staff(self.account, today) if self.account else []

    def forgotten(self, on: date) -> Forgotten:
        """What they are and were called by, so that it can be replaced. Five statements at most."""
        names, numbers = set(), set()
        if self.operator:
            images = _images_of(self.operator)
            names |= {(one.get("given_name", ""), one.get("family_name", "")) for one in images}
            names.add((self.operator.given_name, self.operator.family_name))
            numbers.add(self.operator.number)
            numbers |= set(Ticket.objects.filter(operator=self.operator).values_list("number", flat=True))
            numbers |= set(Card.objects.filter(operator=self.operator).values_list("number", flat=True))
        if self.account:
            names.add((self.account.first_name, self.account.last_name))
            numbers.add(self.account.username)
        whole = {name for given, family in names if given and family for name in _whole(given, family)}
        key = (self.operator or self.account).pk  # type: ignore[union-attr]
        return Forgotten(on, key, tuple(sorted(whole)), tuple(sorted(numbers)))


def erased_among(operators: Iterable[Operator]) -> bool:
    """Whether one of them was erased, so that the entry stands for nobody. One statement."""
    return Erasure.objects.filter(operator__in=list(operators), kind=Erasure.Kind.PERSON).exists()


def is_erased(operator: Operator) -> bool:
    """The same of one who comes with their state. One statement at most: nobody at work is erased."""
    return not operator.state.is_active and erased_among([operator])


def _whole(given: str, family: str) -> tuple[str, ...]:
    return f"{given} {family}", f"{family}, {given}", f"{family} {given}"


def _images_of(row: models.Model) -> list[dict[str, Any]]:
    images = JournalledRow.objects.filter(kind=row._meta.label_lower, key=str(row.pk), content__isnull=False)
    return list(images.values_list("content", flat=True))


def still_kept(subject: Subject, today: date) -> list[KeptKind]:
    """The kinds of which a record must still be kept."""
    return [one for one in subject.kept(today) if one.past < one.rows]


def lookups_to(told: Personal, subject: Subject) -> list[tuple[str, Operator | Account]]:
    """How rows of a model reach a person: by the operator where there is one, else by the account."""
    if subject.operator:
        return [(lookup, subject.operator) for lookup in told.to_operator]
    return [(lookup, subject.account) for lookup in told.to_account] if subject.account else []


def reached(label: str, told: Personal, subject: Subject) -> models.QuerySet:
    """The rows of a model that speak of a person, in order."""
    model: Any = apps.get_model(label)
    lookups = lookups_to(told, subject)
    if not lookups:
        return model._base_manager.none()
    return rows_about(model, [lookup for lookup, _ in lookups], lookups[0][1]).distinct().order_by("pk")


def rows_of_subject(subject: Subject) -> Iterator[tuple[str, list[models.Model]]]:
    """Every row of theirs of which something is erased. One statement a model."""
    for label, told in PERSONAL.items():
        if told.is_personal and told.erases:
            yield label, list(reached(label, told, subject))


def mentioning(subject: Subject) -> Iterator[tuple[models.Model, list[str]]]:
    """Rows that are somebody else's or nobody's and name the person, with the columns that do. One statement
    a model that may."""
    person = subject.forgotten(date.min)
    for label, told in PERSONAL.items():
        if told.mentions:
            yield from _naming(apps.get_model(label), told.mentions, person)


def _naming(
    model: Any, columns: Collection[str], person: Forgotten
) -> Iterator[tuple[models.Model, list[str]]]:
    words = [word for word in (*person.names, *person.numbers) if word]
    found, rows = Q(pk__in=[]), model._base_manager.all()
    for column in columns:
        rows = rows.annotate(**{f"text_of_{column}": Cast(column, TextField())})
        for word in words:
            found |= Q(**{f"text_of_{column}__icontains": word})
    for row in rows.filter(found).order_by("pk"):
        naming = [name for name in columns if without(getattr(row, name), person) != getattr(row, name)]
        if naming:
            yield row, naming


def journalled_keys(rows: Iterable[models.Model]) -> set[tuple[str, str]]:
    """Of these rows, by kind and key, those that the journal tells of: drafts and mail are none of them."""
    found: set[tuple[str, str]] = set()
    for kind, keys in _by_kind(rows).items():
        for some in _parts(keys):
            known = JournalledRow.objects.filter(kind=kind, key__in=some)
            found |= set(known.values_list("kind", "key").distinct())
    return found


def entries_about(rows: Iterable[models.Model]) -> list[JournalEntry]:
    """Entries with a reason that tell of these rows and of nobody else's: every row of theirs that can speak
    of a person is one of these, or hangs on one."""
    ours = _by_kind(rows)
    found: dict[int, JournalEntry] = {}
    for kind, keys in ours.items():
        for some in _parts(keys):
            entries = JournalEntry.objects.filter(rows__kind=kind, rows__key__in=some).exclude(reason="")
            found |= {entry.pk: entry for entry in entries.exclude(action="erasure.made").distinct()}
    roots = {label for label, told in PERSONAL.items() if told.kinds and told.to_operator} | {
        Account._meta.label_lower
    }
    alone = []
    for some in _parts(sorted(found)):
        others: dict[int, bool] = {}
        told = JournalledRow.objects.filter(entry__in=some, kind__in=roots).values_list(
            "entry", "kind", "key"
        )
        for entry, kind, key in told:
            others[entry] = others.get(entry, False) or key not in ours.get(kind, set())
        alone += [found[number] for number in some if not others.get(number, False)]
    return alone


def _by_kind(rows: Iterable[models.Model]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for row in rows:
        found.setdefault(row._meta.label_lower, set()).add(str(row.pk))
    return found


def _parts(keys: Collection[Any]) -> Iterator[list[Any]]:
    every = sorted(keys)
    for start in range(0, len(every), AT_ONCE):
        yield every[start : start + AT_ONCE]


@dataclass(frozen=True)
class ErasableColumn:
    """One row's own words or picture, which may be erased by itself."""

    row: models.Model
    name: str

    @property
    def told(self) -> Personal:
        return PERSONAL[self.row._meta.label_lower]

    @property
    def kind(self) -> RecordKind:
        kind = self.told.by_hand[self.name]
        # A note on a point that was found good is no record of a defect.
        is_no_defect = kind is RecordKind.DEFECT and getattr(self.row, "answer", "defect") != "defect"
        return RecordKind.WORDS if is_no_defect else kind

    @property
    def is_photograph(self) -> bool:
        return isinstance(self.row._meta.get_field(self.name), models.FileField)

    @property
    def is_erased(self) -> bool:
        value = getattr(self.row, self.name)
        if self.is_photograph:
            return not value or getattr(self.row, f"{self.name}_sha256") == ERASED_DIGEST
        return not value or value.startswith("(erased ")

    @property
    def words(self) -> str:
        noun = str(self.row._meta.verbose_name)
        return f"{self.row._meta.get_field(self.name).verbose_name} of {noun} {self.row.pk}"

    @property
    def label(self) -> str:
        return self.row._meta.label_lower

    @property
    def said(self) -> str:
        """The words themselves."""
        return str(getattr(self.row, self.name))

    def kept(self, today: date) -> Kept:
        """To which day this column is kept. Four statements at most."""
        told, model = self.told, type(self.row)
        one = model._base_manager.filter(pk=self.row.pk)
        made = _day(one.values_list(told.made, flat=True)[0]) if told.made else today
        person = None
        if told.to_operator:
            number = one.values_list(told.to_operator[0], flat=True)[0]
            person = Operator.objects.with_state().filter(pk=number).first()
        closed = [
            moment
            for lookup in told.closed
            for moment in one.values_list(lookup, flat=True)
            if moment is not None
        ]
        sites = {one.values_list(told.site, flat=True)[0]} if told.site else set()
        facts = RecordFacts(
            self.kind,
            made,
            left_on(person) if person else None,
            _day(max(closed)) if closed else None,
            frozenset((sites | ({person.site.code} if person else set())) - {None}),
        )
        return keep(facts, clauses_of(policy())[self.kind])


def _day(moment: date | datetime) -> date:
    return day_at(moment, ZoneInfo("UTC")) if isinstance(moment, datetime) else moment


def pictures_and_words(subject: Subject) -> list[ErasableColumn]:
    """What is erased one by one and concerns this person: the pictures taken in their checks and assessments,
    and free text anywhere that names them. One statement for each kind of text and of picture."""
    person = subject.forgotten(date.min)
    found: list[ErasableColumn] = []
    for label, told in PERSONAL.items():
        model: Any = apps.get_model(label)
        texts = []
        for name in told.by_hand:
            if isinstance(model._meta.get_field(name), models.FileField):
                rows = reached(label, told, subject).exclude(**{name: ""})
                found += [ErasableColumn(row, name) for row in rows]
            else:
                texts.append(name)
        if texts and not told.mentions:
            found += [
                ErasableColumn(row, name) for row, names in _naming(model, texts, person) for name in names
            ]
    return [one for one in found if not one.is_erased]


@dataclass(frozen=True)
class Outlook:
    """What an erasure would do to the rows of one kind: which columns go, and why the rest may stay."""

    noun: str
    rows: int
    columns: tuple[str, ...]
    why: str

    @property
    def goes(self) -> str:
        return ", ".join(self.columns)


def outlook(subject: Subject) -> list[Outlook]:
    """Every kind of row that speaks of somebody, with what an erasure would overwrite of it. One statement a
    model."""
    found = []
    for label, told in PERSONAL.items():
        if not told.is_personal or label == Erasure._meta.label_lower:
            continue
        model: Any = apps.get_model(label)
        count = reached(label, told, subject).count()
        if count:
            columns = tuple(str(model._meta.get_field(name).verbose_name) for name in told.erases)
            noun = "account" if model is Account else str(model._meta.verbose_name)
            found.append(Outlook(noun.capitalize(), count, columns, told.why))
    return found
