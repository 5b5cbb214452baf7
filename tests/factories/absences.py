"""Days on which somebody is away."""

from datetime import timedelta

import factory
from django.utils import timezone

from competence.models import Absence

from .accounts import AccountFactory
from .base import RowFactory, days_ago
from .people import OperatorFactory


class AbsenceFactory(RowFactory):
    """An operator's leave, from tomorrow for a week."""

    class Meta:
        model = Absence

    operator = factory.SubFactory(OperatorFactory)
    first_day = factory.LazyFunction(lambda: days_ago(-1))
    last_day = factory.LazyAttribute(lambda one: one.first_day + timedelta(days=6))
    kind = "leave"
    entered_by = factory.SubFactory(AccountFactory, roles=["site_admin"])
    entered_at = factory.LazyFunction(timezone.now)
