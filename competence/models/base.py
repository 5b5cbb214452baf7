"""What every kept row has in common."""

from typing import Any

from django.db import models


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
