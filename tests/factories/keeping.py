"""Rules of keeping, and acts of erasing."""

import factory

from competence.models import ErasedRow, Erasure, KeepingRule

from .accounts import AccountFactory
from .base import RowFactory, at_ago
from .people import OperatorFactory


class KeepingRuleFactory(RowFactory):
    """Training evidence for five years from leaving, at every site."""

    class Meta:
        model = KeepingRule

    kind = "training"
    anchor = "left"
    months = 60
    source = "Records procedure, section 4"
    recorded_at = at_ago(0)
    recorded_by = factory.SubFactory(AccountFactory, roles=["site_admin"])


class ErasureFactory(RowFactory):
    """An operator's, as a row only: nothing is overwritten."""

    class Meta:
        model = Erasure

    at = at_ago(0)
    by = factory.SubFactory(AccountFactory, roles=["site_admin"])
    kind = Erasure.Kind.PERSON
    operator = factory.SubFactory(OperatorFactory)
    why = "Asked to be forgotten"


class ErasedRowFactory(RowFactory):
    class Meta:
        model = ErasedRow

    erasure = factory.SubFactory(ErasureFactory)
    kind = "competence.operator"
    key = "1"
    images = 1
