"""Keeping what the register is set up with: employers, sites, categories, features, minimum cover."""

from django.db import models, transaction

from competence.actions.journal import record
from competence.models import Account, Category, Employer, Feature, MinimumCover, Site
from competence.permissions import Right, require_everywhere

SETUP_MODELS = (Employer, Site, Category, Feature, MinimumCover)


@transaction.atomic
def keep_setup(*, by: Account, row: models.Model, reason: str = "") -> models.Model:
    """Save one set-up row, new or changed."""
    require_everywhere(by, Right.KEEP_SETUP)
    if not isinstance(row, SETUP_MODELS):
        raise TypeError(f"{type(row).__name__} is not set-up; it has actions of its own")
    row.full_clean()
    row.save()
    record(by=by, action=f"{row._meta.model_name}.kept", rows=[row], reason=reason)
    return row
