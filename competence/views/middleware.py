"""Moments on screen are shown in the time zone of the site where the person works."""

from collections.abc import Callable
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.utils import timezone


class SiteTimeMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with timezone.override(home_zone(request)):
            return self.get_response(request)


def home_zone(request: HttpRequest) -> ZoneInfo | None:
    """The zone of the account's own site: an operator's home site, else its one site, else UTC."""
    account = request.user
    if not account.is_authenticated:
        return None
    if account.operator_id and account.operator.state_id:
        return ZoneInfo(account.operator.site.zone)
    zones = {role.site.zone for role in account.held_roles if role.site}
    return ZoneInfo(zones.pop()) if len(zones) == 1 else None
