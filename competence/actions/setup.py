"""Keeping what the register is set up with: employers, sites, categories, features, minimum cover."""

from django.db import models, transaction

from competence.actions.errors import ActionRefused
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
    _refuse_another_code(row)
    row.full_clean()
    row.save()
    record(by=by, action=f"{row._meta.model_name}.kept", rows=[row], reason=reason)
    return row


def _refuse_another_code(row: models.Model) -> None:
    """A code is what tickets' conditions and stored verdicts name, so it never changes."""
    if row.pk is None or not hasattr(row, "code"):
        return
    kept = type(row).objects.filter(pk=row.pk).values_list("code", flat=True).first()
    if kept is not None and kept != row.code:
        raise ActionRefused(f"The code {kept} never changes; tickets and old verdicts name it.", field="code")
