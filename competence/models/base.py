"""What every kept row has in common."""

from typing import Any

from django.db import models

# What stands where the digest of a photograph stood that was erased.
ERASED_DIGEST = "erased"


class AlteringKeptRow(TypeError):
    """Somebody tried to change or delete a row that is only ever added."""


class KeptQuerySet(models.QuerySet):
    def update(self, **kwargs: Any) -> int:
        raise AlteringKeptRow(f"{self.model.__name__} rows are never edited; record a correction")

    def delete(self) -> tuple[int, dict[str, int]]:
        raise AlteringKeptRow(f"{self.model.__name__} rows are never deleted; record a correction")


class Kept(models.Model):
    """A row that is added once and never edited or deleted; a mistake gets a correction."""

    objects = KeptQuerySet.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        if not self._state.adding:
            raise AlteringKeptRow(f"{type(self).__name__} rows are never edited; record a correction")
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> tuple[int, dict[str, int]]:
        raise AlteringKeptRow(f"{type(self).__name__} rows are never deleted; record a correction")


def overwrite_for_erasure(row: models.Model, columns: dict[str, Any]) -> None:
    """Overwrite columns of a row, kept or not, because what they said of a person is erased.

    The one door past ``Kept``. A law that gives people the right to be forgotten stands above a row that is
    never edited, so there has to be one, and there must be no other: only ``actions.erasures`` may call it,
    which says in an ``Erasure`` what it did, and without that ``journal verify`` calls it an alteration.
    """
    manager = models.QuerySet(type(row))
    if manager.filter(pk=row.pk).update(**columns) != 1:
        raise AlteringKeptRow(f"{type(row).__name__} {row.pk} is not there to be overwritten")
    for name, value in columns.items():
        setattr(row, name, value)
