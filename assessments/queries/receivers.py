"""Who is sent mail by the register, and on whose clock they sleep."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import Prefetch

from assessments.rules.digest import QuietHours
from competence.models import Account, Operator, Role, Site


@dataclass(frozen=True)
class Receiver:
    """An account with an address, and the zone of its home site."""

    account: Account
    zone: ZoneInfo

    @property
    def operator(self) -> Operator | None:
        """Their entry on the register, while it is active."""
        found = self.account.operator
        return found if found is not None and found.state.is_active else None

    def sleeps(self, moment: datetime, quiet: QuietHours | None) -> bool:
        return quiet is not None and quiet.hold(moment.astimezone(self.zone).time())


def receivers(sites: Iterable[Site]) -> dict[int, Receiver]:
    """By account: everybody with an open account, an address and no wish to be left alone. Two statements."""
    held = Role.objects.filter(ended_at__isnull=True).select_related("site")
    accounts = (
        Account.objects.filter(is_active=True, mail_declined_at__isnull=True)
        .exclude(email="")
        .select_related("operator__state__site")
        .prefetch_related(Prefetch("roles", held, to_attr="held_roles"))
        .order_by("pk")
    )
    zones = [site.zone for site in sites]
    return {account.pk: Receiver(account, _home_zone(account, zones)) for account in accounts}


def _home_zone(account: Account, every_zone: list[str]) -> ZoneInfo:
    """An operator's home site's; else the one that most of the account's sites keep; UTC without any."""
    if account.operator is not None:
        return ZoneInfo(account.operator.site.zone)
    zones: list[str] = []
    for role in account.held_roles:
        zones += [role.site.zone] if role.site else every_zone
    counted = Counter(zones)
    return ZoneInfo(min(counted, key=lambda zone: (-counted[zone], zone)) if counted else "UTC")
