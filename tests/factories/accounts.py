"""Accounts and the roles that they hold."""

from typing import Any

import factory

from competence.models import Account, Role

from .base import RowFactory

PASSWORD = "correct horse"


class RoleFactory(RowFactory):
    """A role at every site; give ``site`` for one."""

    class Meta:
        model = Role

    account = factory.SubFactory("tests.factories.AccountFactory")
    name = Role.Name.TRAINER
    site = None


class AccountFactory(RowFactory):
    """``AccountFactory(roles=["trainer", ("site_admin", site)])``: a bare name holds at every site.

    With an ``operator`` and no roles stated, the account holds the operator's role at the home site.
    """

    class Meta:
        model = Account

    username = factory.Sequence(lambda n: f"person{n}")
    first_name = "Pat"
    last_name = factory.Sequence(lambda n: f"Holloway{n}")
    password = factory.django.Password(PASSWORD)
    operator = None

    @factory.post_generation
    def roles(account: Account, create: bool, extracted: Any, **_: Any) -> None:
        if not create:
            return
        if extracted is None and account.operator is not None:
            extracted = [(Role.Name.OPERATOR, account.operator.site)]
        for role in extracted or ():
            name, site = (role, None) if isinstance(role, str) else role
            RoleFactory(account=account, name=name, site=site)
