"""Whether somebody signs in with a second factor, and whether they must."""

from django.conf import settings
from django_otp.plugins.otp_totp.models import TOTPDevice

from competence.models import Account, Role

# Who may issue a ticket, and who gives the roles that may.
WITH_SECOND_FACTOR = frozenset({Role.Name.TRAINER, Role.Name.SITE_ADMIN})


def must_have_second_factor(account: Account) -> bool:
    """No statement beside that of the roles held, which every page asks."""
    return settings.SECOND_FACTOR_REQUIRED and any(
        role.name in WITH_SECOND_FACTOR for role in account.held_roles
    )


def has_second_factor(account: Account) -> bool:
    """One statement."""
    return TOTPDevice.objects.filter(user=account, confirmed=True).exists()
