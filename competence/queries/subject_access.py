"""Everything that the register holds about one person, for that person to read."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from django.apps import apps
from django.db import models

from competence.models import Account, JournalEntry, JournalledRow, ListedPoint
from competence.models.base import ERASED_DIGEST
from competence.models.images import row_image
from competence.models.personal import PERSONAL, Personal, Way
from competence.queries.erasing import AT_ONCE, Subject, entries_about, reached

# What no export holds, whatever table says: secrets that let somebody in.
NEVER = frozenset({"password", "token_sha256"})
SOMEBODY_ELSE = "somebody else"
# Columns that point to a thing which has a name worth reading.
NAMED = frozenset({"site", "employer", "category", "machine"})


@dataclass(frozen=True)
class Section:
    """The rows of one kind that speak of the person. ``rows``: every column, as the journal would write it;
    ``words``: by column what the rows point to is called, where it is no person."""

    label: str
    noun: str
    columns: list[str]
    rows: list[dict[str, Any]]
    words: dict[str, dict[Any, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class EntryTold:
    """One entry of the journal. ``rows``: what it wrote of the person, each as it then stood."""

    number: int
    at: str
    by: str
    action: str
    reason: str
    rows: list[dict[str, Any]]


@dataclass(frozen=True)
class Picture:
    """A photograph, under the name that it has in the export."""

    name: str
    file: Any


@dataclass(frozen=True)
class Held:
    """All that is held. ``acted``: names of the staff who wrote these rows, by the number of their account;
    ``done``: what the person did in the register, without what it says of others."""

    sections: list[Section]
    entries: list[EntryTold]
    done: list[EntryTold]
    acted: dict[int, str]
    pictures: list[Picture] = field(default_factory=list)


def held_on(subject: Subject) -> Held:
    """Every row of every model that speaks of somebody, with the journal's entries about them. Of others only
    the names of staff who acted; of a check that the person only supervised, nothing of whoever made it.

    One statement for each kind of row, and some for each 500 rows of the journal.
    """
    sections, rows, pictures = [], [], []
    for label, told in PERSONAL.items():
        if not told.is_personal:
            continue
        found = list(reached(label, told, subject))
        rows += found
        pictures += _pictures(label, found)
        if found:
            sections.append(_section(label, told, found, subject))
    entries = list(_entries(rows, {entry.pk for entry in entries_about(rows)}, subject))
    done = list(_done(subject)) if subject.account else []
    return Held(sections, entries, done, _names(rows), pictures)


def _section(label: str, told: Personal, rows: list[models.Model], subject: Subject) -> Section:
    model: Any = apps.get_model(label)
    columns = [column.attname for column in model._meta.concrete_fields if column.name not in _secrets(told)]
    return Section(
        label,
        "Accounts" if model is Account else str(model._meta.verbose_name_plural).capitalize(),
        columns,
        [_row(row, told, columns, subject) for row in rows],
        _words(model, columns, rows),
    )


def _words(model: Any, columns: list[str], rows: list[models.Model]) -> dict[str, dict[Any, str]]:
    """What the things that rows point to are called. One statement a column that points to a thing."""
    found: dict[str, dict[Any, str]] = {}
    for column in model._meta.concrete_fields:
        related = column.related_model
        if (
            related is None
            or column.attname not in columns
            or PERSONAL[related._meta.label_lower].is_personal
        ):
            continue
        things = related._base_manager.filter(pk__in={getattr(row, column.attname) for row in rows} - {None})
        if related is ListedPoint:
            found[column.attname] = dict(things.values_list("pk", "point__title"))
        elif column.name in NAMED:
            found[column.attname] = {thing.pk: _called(thing) for thing in things}
    return found


def _called(thing: Any) -> str:
    return next(
        (getattr(thing, name) for name in ("name", "fleet_number") if hasattr(thing, name)), str(thing)
    )


def _secrets(told: Personal) -> frozenset[str]:
    return NEVER | set(told.secrets.split())


def _row(row: models.Model, told: Personal, columns: list[str], subject: Subject) -> dict[str, Any]:
    image = row_image(row)
    for name, way in told.erases.items():
        if way is Way.VERDICT:
            image[name] = _of_one_person(image[name], subject)
    if "last_login" in columns and hasattr(row, "last_login"):
        last = row.last_login
        image["last_login"] = last.isoformat() if last else None
    if _is_anothers(row, told, subject):
        hidden = {*told.erases, *told.by_hand}
        image = {name: value for name, value in image.items() if name not in hidden}
        for name in told.about.split():
            theirs = f"{name}_id"
            if image.get(theirs) not in (None, subject.operator and subject.operator.pk):
                image[theirs] = SOMEBODY_ELSE
    return {name: image[name] for name in columns if name in image}


def _of_one_person(verdict: dict[str, Any], subject: Subject) -> dict[str, Any]:
    """A verdict without the facts of whoever supervised: only the name of that one concerns the person."""
    facts = verdict.get("facts") or {}
    supervision = facts.get("supervision") or {}
    other = supervision.get("person")
    if not other or (subject.operator and other.get("number") == subject.operator.number):
        return verdict
    limited = {**supervision, "person": {"name": other.get("name")}}
    return {**verdict, "facts": {**facts, "supervision": limited}}


def _is_anothers(row: models.Model, told: Personal, subject: Subject) -> bool:
    """Whether the row is first of all somebody else's: the person only supervised."""
    if not told.second or subject.operator is None:
        return False
    first = [lookup for lookup in told.to_operator if lookup not in told.second]
    return all(getattr(row, f"{lookup}_id") != subject.operator.pk for lookup in first)


def _pictures(label: str, rows: Iterable[models.Model]) -> Iterator[Picture]:
    for row in rows:
        digest = getattr(row, "photograph_sha256", "")
        if digest and digest != ERASED_DIGEST and row.photograph:  # type: ignore[attr-defined]
            yield Picture(f"photographs/{label.split('.')[1]}-{row.pk}.jpg", row.photograph)  # type: ignore[attr-defined]


def _names(rows: Iterable[models.Model]) -> dict[int, str]:
    """Who wrote these rows: what somebody is told of those who decided about them is their name."""
    acted: set[int] = set()
    for row in rows:
        told = PERSONAL[row._meta.label_lower]
        acted |= {getattr(row, f"{name}_id") for name in told.acts.split()}
    return {one.pk: one.name for one in Account.objects.filter(pk__in=acted - {None})}


def _entries(rows: list[models.Model], alone: set[int], subject: Subject) -> Iterator[EntryTold]:
    """The entries that tell of these rows, oldest first; a reason that was given for several people at once
    is left out."""
    by_kind: dict[str, dict[str, models.Model]] = {}
    for row in rows:
        by_kind.setdefault(row._meta.label_lower, {})[str(row.pk)] = row
    told: dict[int, list[dict[str, Any]]] = {}
    for kind, keyed in by_kind.items():
        keys = sorted(keyed)
        for start in range(0, len(keys), AT_ONCE):
            some = keys[start : start + AT_ONCE]
            images = JournalledRow.objects.filter(kind=kind, key__in=some).order_by("pk")
            for number, key, content in images.values_list("entry", "key", "content"):
                told.setdefault(number, []).append(
                    {"kind": kind, "key": key, "content": _disclosed(content, keyed[key], subject)}
                )
    numbers = sorted(told)
    for start in range(0, len(numbers), AT_ONCE):
        entries = JournalEntry.objects.filter(pk__in=numbers[start : start + AT_ONCE]).select_related("by")
        for entry in entries.order_by("pk"):
            yield _told(entry, told[entry.pk], entry.reason if entry.pk in alone else "")


def _disclosed(content: dict[str, Any] | None, row: models.Model, subject: Subject) -> dict[str, Any] | None:
    told = PERSONAL[row._meta.label_lower]
    if content is None or _is_anothers(row, told, subject):
        return None
    return {
        name: _of_one_person(value, subject) if told.erases.get(name) is Way.VERDICT else value
        for name, value in content.items()
        if name not in _secrets(told)
    }


def _told(entry: JournalEntry, rows: list[dict[str, Any]], reason: str) -> EntryTold:
    by = entry.by.name if entry.by else "the register itself"
    return EntryTold(entry.pk, entry.at.isoformat(), by, entry.action, reason, rows)


def _done(subject: Subject) -> Iterator[EntryTold]:
    """What the account did: when and what, without whom it was done to."""
    entries = JournalEntry.objects.filter(by=subject.account).select_related("by").order_by("pk")
    for entry in entries.iterator(chunk_size=2000):
        yield _told(entry, [], "")
