"""What every request passes: the second step of signing in, and the clock of the person's own site."""

from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode

from competence.views.second_factor import owes_second_factor

# What opens before the second step: the step itself, and the ways out.
BEFORE_SECOND_STEP = frozenset({"second-factor", "second-factor-set-up", "sign-out"})


class SecondFactorMiddleware:
    """Nobody who owes a code, or must set a second factor first, gets past a page that asks for a sign-in."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, *rest: Any) -> HttpResponse | None:
        is_open = not getattr(view, "login_required", True)
        if is_open or request.resolver_match.view_name in BEFORE_SECOND_STEP:
            return None
        owed = owes_second_factor(request)
        if owed is None:
            return None
        way = f"?{urlencode({'next': request.get_full_path()})}" if request.method == "GET" else ""
        return redirect(f"{reverse(owed)}{way}")


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
