"""The secret address of one's own calendar: made, made anew, taken away."""

import hashlib
import secrets

from django.db import transaction

from assessments.models import CalendarAddress
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account

# 256 bits: nobody finds one by trying.
TOKEN_BYTES = 32


def sha256_of(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


@transaction.atomic
def make_calendar_address(*, by: Account) -> str:
    """A new secret for one's own calendar, told this once; an earlier one opens nothing any more."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    account = Account.objects.select_for_update(of=("self",)).get(pk=by.pk)
    address = CalendarAddress.objects.filter(account=account).first() or CalendarAddress(account=account)
    address.token_sha256, address.made_at, address.removed_at = sha256_of(token), now(), None
    address.save()
    record(by=by, action="calendar_address.made", rows=[address])
    return token


@transaction.atomic
def remove_calendar_address(*, by: Account) -> CalendarAddress:
    """From now on nobody reads one's calendar by any address."""
    Account.objects.select_for_update(of=("self",)).get(pk=by.pk)
    address = CalendarAddress.objects.filter(account=by, token_sha256__isnull=False).first()
    if address is None:
        raise ActionRefused("There is no address to remove.")
    address.token_sha256, address.removed_at = None, now()
    address.save()
    record(by=by, action="calendar_address.removed", rows=[address])
    return address
