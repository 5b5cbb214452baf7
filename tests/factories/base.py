"""What every factory has in common: kept rows are saved once, and days are counted from today."""

from datetime import date, datetime, timedelta
from typing import Any

import factory
from django.utils import timezone


class RowFactory(factory.django.DjangoModelFactory):
    class Meta:
        abstract = True
        # A kept row refuses a second save.
        skip_postgeneration_save = True


def days_ago(days: int) -> date:
    """A day before today in UTC; a negative number gives a day to come."""
    return timezone.now().date() - timedelta(days=days)


def moment_ago(days: int) -> datetime:
    return timezone.now() - timedelta(days=days)


def day_ago(days: int) -> Any:
    return factory.LazyFunction(lambda: days_ago(days))


def at_ago(days: int) -> Any:
    return factory.LazyFunction(lambda: moment_ago(days))
