"""The front door: signing in and out, the start page of each role, and the theme."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth import views as auth_views
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import URLPattern, path, reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.timezone import now
from django.views.decorators.http import require_GET, require_POST

from competence.forms.accounts import SignInForm
from competence.models import Role
from competence.permissions import Right, may, sites_with
from competence.queries.checkpoints import journal_head
from competence.queries.operator_start import operator_start
from competence.queries.plant import site_board
from competence.queries.ticket_lists import counts

# How far back the start page looks for refusals.
BOARD_SPAN = timedelta(days=7)
THEMES = ("light", "dark", "auto")


@dataclass(frozen=True)
class Part:
    """One role's part of the start page: a template and what it shows, there under the name ``part``."""

    template: str
    content: Any
    is_for_phone: bool = False


# Parts that an app above this one adds when it is ready: each is asked once per page, and shows its parts
# after the operator's own and before the office's.
PART_PROVIDERS: list[Callable[[HttpRequest], Iterable[Part]]] = []


@require_GET
def home(request: HttpRequest) -> HttpResponse:
    """The start page: a part for each role that the account holds."""
    parts: list[Part] = []
    if request.user.operator is not None and may(request.user, Right.CHECK_MACHINE):
        start = operator_start(request.user.operator, now())
        parts.append(Part("competence/home_operator.html", start, is_for_phone=True))
    for provider in PART_PROVIDERS:
        parts.extend(provider(request))
    if may(request.user, Right.SEE_RECORDS):
        states = counts(sites_with(request.user, Right.SEE_RECORDS), now())
        parts.append(Part("competence/home_staff.html", states))
    if may(request.user, Right.SEE_CHECKS):
        since = now() - BOARD_SPAN
        board = site_board(sites_with(request.user, Right.SEE_CHECKS), since)
        parts.append(Part("competence/home_board.html", board))
    if any(role.name == Role.Name.AUDITOR for role in request.user.held_roles):
        parts.insert(0, Part("competence/home_record.html", None))
        parts.append(Part("competence/home_journal.html", journal_head()))
    return render(
        request,
        "competence/home.html",
        {
            "parts": parts,
            "is_for_phone": bool(parts) and all(part.is_for_phone for part in parts),
            "holds_no_role": not request.user.held_roles,
        },
    )


@login_not_required
@require_POST
def choose_theme(request: HttpRequest) -> HttpResponse:
    """Keep the choice in a cookie, so that the server draws the page right the first time."""
    theme = request.POST.get("theme", "auto")
    back = request.POST.get("next", "")
    if not url_has_allowed_host_and_scheme(back, {request.get_host()}, request.is_secure()):
        back = reverse("home")
    # An address, never the name of a door: ``redirect`` would look for one.
    response = HttpResponseRedirect(back)
    if theme in THEMES:
        response.set_cookie(
            settings.THEME_COOKIE_NAME,
            theme,
            max_age=365 * 24 * 60 * 60,
            samesite="Lax",
            httponly=True,
            secure=settings.SESSION_COOKIE_SECURE,
        )
    return response


class SignOut(auth_views.LogoutView):
    """Ends the session, and has the browser forget pictures that it kept for an hour. What waits on a phone
    to be sent stays: it is the work of whoever signs in again."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        response = super().dispatch(request, *args, **kwargs)
        response["Clear-Site-Data"] = '"cache"'
        return response


urlpatterns: list[URLPattern] = [
    path("", home, name="home"),
    path(
        "sign-in/",
        auth_views.LoginView.as_view(
            template_name="registration/sign_in.html",
            authentication_form=SignInForm,
            redirect_authenticated_user=True,
        ),
        name="sign-in",
    ),
    path("sign-out/", SignOut.as_view(), name="sign-out"),
    path("theme/", choose_theme, name="theme"),
]
