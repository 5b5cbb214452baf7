"""Accounts: who signs in, and in which role at which site."""

from django.contrib.auth.models import AbstractUser, UserManager
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower
from django.utils.functional import cached_property

from .people import Operator, Site


class AccountManager(UserManager):
    def get_by_natural_key(self, username: str | None) -> "Account":
        """The account that signs in by this name, in any case and with any spaces around it: the number is
        printed in capitals everywhere, and a phone makes the first letter one."""
        return self.get(username__iexact=(username or "").strip())


class Account(AbstractUser):
    """Somebody who signs in. An operator's account points to their entry on the register."""

    operator = models.OneToOneField(
        Operator, on_delete=models.PROTECT, null=True, blank=True, related_name="account"
    )
    phone = models.CharField(
        max_length=30, blank=True, help_text="Shown to operators who are stopped and need to ring somebody."
    )

    # Empty rather than false: accounts journalled before there was mail stay as the journal tells of them.
    mail_declined_at = models.DateTimeField("no mail since", null=True, blank=True)

    objects = AccountManager()

    class Meta(AbstractUser.Meta):
        constraints = [
            models.UniqueConstraint(
                Lower("username"),
                name="account_name_once_in_any_case",
                violation_error_message="That name is taken; capital and small letters are the same.",
            )
        ]

    def __str__(self) -> str:
        return self.username

    @property
    def name(self) -> str:
        return self.get_full_name() or self.username

    @cached_property
    def held_roles(self) -> "list[Role]":
        """The roles held now, read once per request."""
        return list(self.roles.filter(ended_at__isnull=True).select_related("site"))


class Role(models.Model):
    """One role of one account, at one site or (no site) at every site, until it is ended."""

    class Name(models.TextChoices):
        TRAINER = "trainer", "Trainer"
        OPERATOR = "operator", "Operator"
        SITE_ADMIN = "site_admin", "Site admin"
        AUDITOR = "auditor", "Auditor"

    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="roles")
    name = models.CharField(max_length=12, choices=Name)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="roles")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(name__in=["trainer", "operator", "site_admin", "auditor"]),
                name="role_is_one_of_the_four",
            ),
            models.UniqueConstraint(
                fields=["account", "name", "site"],
                condition=Q(site__isnull=False, ended_at__isnull=True),
                name="role_once_per_site",
            ),
            models.UniqueConstraint(
                fields=["account", "name"],
                condition=Q(site__isnull=True, ended_at__isnull=True),
                name="role_once_for_every_site",
            ),
        ]

    def __str__(self) -> str:
        where = self.site.code if self.site else "every site"
        return f"{self.account_id}: {self.get_name_display()} at {where}"
