"""Closing an account of staff, and opening it again."""

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import require_keeper
from competence.models import Account, Erasure, Role


@transaction.atomic
def close_account(*, by: Account, account: Account, reason: str) -> Account:
    """Let somebody sign in no more, and end every role of theirs. What they recorded stays.

    An operator's account closes with their entry, so that the two never differ. Nobody closes their own, so
    that the last site admin cannot go.
    """
    account = Account.objects.select_for_update(of=("self",)).get(pk=account.pk)
    require_keeper(by, account)
    if by.pk == account.pk:
        raise ActionRefused("Nobody closes their own account; ask another site admin.")
    _refuse_operators(account, "Make the operator's entry not active: that closes the account too.")
    if not account.is_active:
        raise ActionRefused("This account is closed already.")
    ended = list(Role.objects.select_for_update().filter(account=account, ended_at=None))
    for role in ended:
        role.ended_at = now()
        role.save(update_fields=["ended_at"])
    account.is_active = False
    account.save(update_fields=["is_active"])
    record(by=by, action="account.closed", rows=[account, *ended], reason=reason)
    account.__dict__.pop("held_roles", None)
    return account


@transaction.atomic
def reopen_account(*, by: Account, account: Account, reason: str) -> Account:
    """Let somebody sign in again who came back. They hold no role until one is given."""
    account = Account.objects.select_for_update(of=("self",)).get(pk=account.pk)
    require_keeper(by, account)
    _refuse_operators(account, "Make the operator's entry active again: that opens the account too.")
    if account.is_active:
        raise ActionRefused("This account is open.")
    if Erasure.objects.filter(account=account, kind=Erasure.Kind.PERSON).exists():
        raise ActionRefused("This account was erased. Open another one for somebody who came back.")
    account.is_active = True
    account.save(update_fields=["is_active"])
    record(by=by, action="account.opened_again", rows=[account], reason=reason)
    return account


def _refuse_operators(account: Account, instead: str) -> None:
    if account.operator_id is not None:
        raise ActionRefused(f"This is an operator's account. {instead}")
