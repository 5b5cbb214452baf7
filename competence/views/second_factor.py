"""The second step of signing in, and setting it up."""

import segno
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.signals import user_logged_in
from django.core.exceptions import PermissionDenied
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render, resolve_url
from django.urls import URLPattern, path, reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST
from django_otp import login as pass_second_factor

from competence.actions.errors import ActionRefused
from competence.actions.second_factor import (
    begin_second_factor,
    give_code,
    renew_paper_codes,
    set_second_factor,
    take_second_factor_away,
)
from competence.forms.accounts import EndRoleForm
from competence.forms.second_factor import CodeForm
from competence.models import Account
from competence.permissions import Right
from competence.queries.second_factor import has_second_factor, must_have_second_factor
from competence.views.accounts import account_or_404
from competence.views.doing import asks, attempt
from competence.views.pages import form_page

# In the session: this account has a second factor, and it was not yet given.
OWES_CODE = "owes_code"


@receiver(user_logged_in)
def note_what_is_owed(sender: type, request: HttpRequest, user: Account, **more: object) -> None:
    if has_second_factor(user):
        request.session[OWES_CODE] = True


def owes_second_factor(request: HttpRequest) -> str | None:
    """The name of the page that this session must pass first; ``None`` where it may go on."""
    account = request.user
    if not account.is_authenticated or account.is_verified():
        return None
    if request.session.get(OWES_CODE):
        return "second-factor"
    return "second-factor-set-up" if must_have_second_factor(account) else None


def _onwards(request: HttpRequest) -> str:
    onwards = request.POST.get("next") or request.GET.get("next", "")
    is_ours = url_has_allowed_host_and_scheme(onwards, {request.get_host()}, request.is_secure())
    return onwards if is_ours else resolve_url(settings.LOGIN_REDIRECT_URL)


@never_cache
def second_factor(request: HttpRequest) -> HttpResponse:
    """The second step of signing in: a code from the phone, or one from paper."""
    if owes_second_factor(request) != "second-factor":
        return HttpResponseRedirect(_onwards(request))
    form = CodeForm(request.POST or None)
    if form.is_valid():
        device = give_code(by=request.user, code=form.cleaned_data["code"])
        if device is not None:
            del request.session[OWES_CODE]
            pass_second_factor(request, device)
            return HttpResponseRedirect(_onwards(request))
        form.add_error(
            "code",
            "That code does not fit, or too many wrong ones were given. Wait for the next code on the phone "
            "and try again; each wrong one makes the wait longer.",
        )
    return render(
        request,
        "competence/second_factor/code.html",
        {"form": form, "next": _onwards(request)},
        status=200 if not form.errors else 403,
    )


@never_cache
def second_factor_set_up(request: HttpRequest) -> HttpResponse:
    """Take the secret over with a phone, prove it with a first code, and read the paper codes once."""
    if owes_second_factor(request) == "second-factor":
        return redirect("second-factor")
    if has_second_factor(request.user):
        return render(request, "competence/second_factor/is_set.html")
    form = CodeForm(request.POST or None)
    if form.is_valid():
        made = attempt(form, set_second_factor, by=request.user, code=form.cleaned_data["code"])
        if made is not None:
            device, codes = made
            pass_second_factor(request, device)
            return _paper(request, codes)
    device = begin_second_factor(by=request.user)
    return render(
        request,
        "competence/second_factor/set_up.html",
        {
            "form": form,
            "must": must_have_second_factor(request.user),
            "picture": segno.make(device.config_url, error="m").svg_data_uri(scale=5, border=2),
            "address": device.config_url,
            "secret": _in_fours(device.config_url),
        },
    )


def _in_fours(address: str) -> str:
    """The secret of an otpauth address, as one types it."""
    secret = address.split("secret=")[1].split("&")[0]
    return " ".join(secret[at : at + 4] for at in range(0, len(secret), 4))


def _paper(request: HttpRequest, codes: list[str]) -> HttpResponse:
    return render(request, "competence/second_factor/paper.html", {"codes": codes})


@never_cache
@require_POST
def paper_codes(request: HttpRequest) -> HttpResponse:
    """Ten new paper codes, in place of those before."""
    if not request.user.is_verified():
        raise PermissionDenied("Sign in with the second factor first.")
    try:
        return _paper(request, renew_paper_codes(by=request.user))
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
        return redirect("second-factor-set-up")


@asks(Right.KEEP_PEOPLE)
def second_factor_remove(request: HttpRequest, username: str) -> HttpResponse:
    """For somebody who has lost both the phone and the paper."""
    held = account_or_404(request, username)
    form = EndRoleForm(request.POST or None)
    if form.is_valid() and attempt(
        form, take_second_factor_away, by=request.user, account=held, **form.cleaned_data
    ):
        messages.success(request, f"{held.name} signs in with the password alone until a new one is set.")
        return redirect("account", held.username)
    return form_page(
        request,
        form,
        title=f"Take away the second factor of {held.name}",
        overline=f"Account {held.username}",
        lead="For somebody who has lost both the phone and the paper codes. See them, or ring them on a "
        "number that you know: a mail or a message can come from anybody.",
        consequence=f"{held.name} signs in with the password alone next, and is asked to set a new second "
        "factor before anything else where their role needs one.",
        is_stop=True,
        submit="Take it away",
        back_url=reverse("account", args=[held.username]),
        back_label=held.name,
    )


urlpatterns: list[URLPattern] = [
    path("second-factor/", second_factor, name="second-factor"),
    path("my/second-factor/", second_factor_set_up, name="second-factor-set-up"),
    path("my/second-factor/paper/", paper_codes, name="paper-codes"),
    path("accounts/<str:username>/second-factor/remove/", second_factor_remove, name="second-factor-remove"),
]
