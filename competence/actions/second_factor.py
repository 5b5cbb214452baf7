"""A second factor beside the password: a code from the person's own phone (TOTP, RFC 6238), or one of ten
codes on paper for the day on which the phone is lost.

The secrets stand in django-otp's own tables and never in the journal; what is journalled is that somebody
set a second factor, made new paper codes, or took one away.
"""

from django.db import transaction
from django_otp.models import Device
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import require_keeper
from competence.models import Account

PAPER_CODES = 10
# Paper codes are longer, and have letters.
PHONE_DIGITS = 6


@transaction.atomic
def begin_second_factor(*, by: Account) -> TOTPDevice:
    """The secret to be taken over by one's own phone; it counts once a code from it was given. Asked for
    again before that, it is the same secret."""
    if TOTPDevice.objects.filter(user=by, confirmed=True).exists():
        raise ActionRefused("A second factor is set already. A site admin can take it away.")
    return _being_set(by) or TOTPDevice.objects.create(user=by, confirmed=False, name="phone")


@transaction.atomic
def set_second_factor(*, by: Account, code: str) -> tuple[TOTPDevice, list[str]]:
    """Set it with a first code from the phone; the paper codes come back, to be shown once."""
    account = _locked(by)
    device = _being_set(account)
    if device is None or not device.verify_token(code):
        raise ActionRefused(
            "That is not the code that the phone should show now. Nothing is set. Wait for the next code; if "
            "none fits, see that the phone's clock sets itself.",
            field="code",
        )
    device.confirmed = True
    device.save(update_fields=["confirmed"])
    codes = _new_paper_codes(account)
    record(by=by, action="account.second_factor_set", rows=[account])
    return device, codes


@transaction.atomic
def give_code(*, by: Account, code: str) -> Device | None:
    """The phone or the paper of which ``code`` is good now, used up; ``None`` for a wrong code, or while too
    many wrong ones were given lately (each makes the wait twice as long). A sign-in, not a change of record:
    no entry."""
    kind = TOTPDevice if code.isdigit() and len(code) == PHONE_DIGITS else StaticDevice
    device = kind.objects.select_for_update().filter(user=by, confirmed=True).first()
    return device if device is not None and device.verify_token(code) else None


@transaction.atomic
def renew_paper_codes(*, by: Account) -> list[str]:
    """Ten new codes, to be shown once; those before them no longer count."""
    account = _locked(by)
    if not TOTPDevice.objects.filter(user=account, confirmed=True).exists():
        raise ActionRefused("Set the second factor first; paper codes come with it.")
    codes = _new_paper_codes(account)
    record(by=by, action="account.paper_codes_renewed", rows=[account])
    return codes


def _being_set(account: Account) -> TOTPDevice | None:
    # Two pages opened at once may have made two; both show the first.
    return TOTPDevice.objects.filter(user=account, confirmed=False).order_by("pk").first()


def _locked(account: Account) -> Account:
    return Account.objects.select_for_update(of=("self",)).get(pk=account.pk)


def _new_paper_codes(account: Account) -> list[str]:
    StaticDevice.objects.filter(user=account).delete()
    paper = StaticDevice.objects.create(user=account, name="paper")
    codes = [StaticToken.random_token() for _ in range(PAPER_CODES)]
    StaticToken.objects.bulk_create(StaticToken(device=paper, token=code) for code in codes)
    return codes


@transaction.atomic
def take_second_factor_away(*, by: Account, account: Account, reason: str) -> Account:
    """For somebody whose phone and paper are both lost. Nobody takes away their own: who has found a phone
    unlocked would otherwise be rid of it."""
    account = _locked(account)
    if by.pk == account.pk:
        raise ActionRefused("Nobody takes away their own second factor; ask another site admin.")
    require_keeper(by, account)
    deleted, _ = TOTPDevice.objects.filter(user=account).delete()
    StaticDevice.objects.filter(user=account).delete()
    if not deleted:
        raise ActionRefused(f"{account.name} has no second factor.")
    record(by=by, action="account.second_factor_removed", rows=[account], reason=reason)
    return account
