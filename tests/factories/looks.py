"""Looks back into the record."""

import factory

from competence.models import Look

from .accounts import AccountFactory
from .base import RowFactory, at_ago


class LookFactory(RowFactory):
    """An auditor's look at the record, now."""

    class Meta:
        model = Look

    at = at_ago(0)
    by = factory.SubFactory(AccountFactory, roles=["auditor"])
    kind = Look.Kind.RECORD
