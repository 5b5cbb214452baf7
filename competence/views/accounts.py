"""Accounts, roles and appointments; and everybody's own password."""

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth.views import PasswordChangeView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse, reverse_lazy
from django.utils import timezone
from django.views.decorators.http import require_GET

from competence.actions.appointments import appoint
from competence.actions.clock import now
from competence.actions.closing import close_account, reopen_account
from competence.actions.people import end_role, give_role, keep_contact, open_account, set_password
from competence.forms.accounts import (
    AppointmentForm,
    CloseAccountForm,
    EndRoleForm,
    OperatorAccountForm,
    PasswordForm,
    ReachForm,
    ReopenAccountForm,
    RoleForm,
    StaffAccountForm,
)
from competence.forms.record_form import RecordForm
from competence.models import Account, Role
from competence.permissions import (
    NotAllowed,
    Right,
    may_everywhere,
    require_everywhere,
    require_where,
    sites_with,
)
from competence.queries.accounts import accounts_at, appointment_rows
from competence.views.doing import asks, attempt
from competence.views.lists import paged, typed
from competence.views.pages import form_page, operator_or_404


@require_GET
@asks(Right.KEEP_PEOPLE)
def account_list(request: HttpRequest) -> HttpResponse:
    text = typed(request, "q")
    page, query = paged(request, accounts_at(sites_with(request.user, Right.KEEP_PEOPLE), text))
    return render(
        request,
        "competence/accounts/list.html",
        {"page": page, "query": query, "q": text, "is_filtered": bool(text)},
    )


def account_or_404(request: HttpRequest, username: str) -> Account:
    """An account that this site admin may see: one of the list."""
    found = accounts_at(sites_with(request.user, Right.KEEP_PEOPLE))
    account = found.filter(username=username).first()
    if account is None:
        get_object_or_404(Account, username=username)
        raise NotAllowed("This account belongs to another site. A site admin there can change it.")
    return account


@asks(Right.KEEP_PEOPLE)
def account_new(request: HttpRequest, number: str) -> HttpResponse:
    """An account for an operator, with the operator's role at the home site."""
    person = operator_or_404(request, number, Right.KEEP_PEOPLE)
    form = OperatorAccountForm(request.POST or None, initial={"username": person.number.lower()})
    if form.is_valid() and (
        made := attempt(form, open_account, by=request.user, operator=person, **form.cleaned_data)
    ):
        messages.success(request, f"{person.name} can sign in as {made.username}.")
        return redirect("operator", person.number)
    return form_page(
        request,
        form,
        title=f"Open an account for {person.name}",
        overline=f"Operator {person.number}",
        lead=f"With it {person.given_name} does daily checks at {person.site.name}.",
        submit="Open the account",
        back_url=reverse("operator", args=[person.number]),
        back_label=person.name,
    )


@asks(Right.KEEP_PEOPLE)
def account_staff_new(request: HttpRequest) -> HttpResponse:
    form = StaffAccountForm(request.POST or None)
    if form.is_valid() and (made := attempt(form, open_account, by=request.user, **form.cleaned_data)):
        messages.success(
            request, f"The account {made.username} is open. Give it a role: without one it opens no room."
        )
        return redirect("account", made.username)
    return form_page(
        request,
        form,
        title="Open an account",
        lead="For a trainer, a site admin or an auditor. An operator's account is opened from their record.",
        submit="Open the account",
        back_url=reverse("account-list"),
        back_label="Accounts",
    )


@asks(Right.KEEP_PEOPLE)
def account(request: HttpRequest, username: str) -> HttpResponse:
    """One account: its roles, how to reach the person, and a new password. ``do`` says which form came."""
    held = account_or_404(request, username)
    doing = request.POST.get("do", "")
    first = {
        "phone": held.phone,
        "email": held.email,
        "declines_mail": held.mail_declined_at is not None,
    }
    site_ids = sites_with(request.user, Right.KEEP_PEOPLE)
    forms = {
        "role": RoleForm(request.POST if doing == "role" else None, site_ids=site_ids),
        "contact": ReachForm(request.POST if doing == "contact" else None, initial=first),
        "password": PasswordForm(request.POST if doing == "password" else None),
    }
    if doing in forms and forms[doing].is_valid() and _kept(request, held, doing, forms[doing]):
        return redirect("account", held.username)
    ended = held.roles.filter(ended_at__isnull=False).select_related("site").order_by("-ended_at")
    return render(
        request,
        "competence/accounts/account.html",
        {
            "account": held,
            "ended": ended,
            "forms": forms,
            "asked": forms.get(doing),
            "may_see_kept": may_everywhere(request.user, Right.TAKE_OUT),
        },
    )


def _kept(request: HttpRequest, held: Account, doing: str, form: RecordForm) -> bool:
    """Do what one of the page's forms asks; what was refused stands beside its field."""
    action, said = {
        "role": (give_role, f"{held.name} has the role from now on."),
        "contact": (keep_contact, "How to reach them is kept."),
        "password": (set_password, f"{held.name} has a new password; every earlier sign-in is ended."),
    }[doing]
    if not attempt(form, action, by=request.user, account=held, **form.cleaned_data):
        return False
    if doing == "password" and held.pk == request.user.pk:
        held.refresh_from_db()
        update_session_auth_hash(request, held)
    messages.success(request, said)
    return True


@asks(Right.KEEP_PEOPLE)
def role_end(request: HttpRequest, username: str, pk: int) -> HttpResponse:
    held = account_or_404(request, username)
    role = get_object_or_404(Role.objects.select_related("site"), pk=pk, account=held)
    require_where(request.user, Right.KEEP_PEOPLE, role.site)
    form = EndRoleForm(request.POST or None)
    if form.is_valid() and attempt(form, end_role, by=request.user, role=role, **form.cleaned_data):
        messages.success(request, f"The role {role.get_name_display().lower()} of {held.name} is ended.")
        return redirect("account", held.username)
    return form_page(
        request,
        form,
        title=f"End a role of {held.name}",
        overline=f"Account {held.username}",
        consequence=f"From now on {held.name} is no longer {role.get_name_display().lower()} at "
        f"{role.site.name if role.site else 'every site'}. What was recorded in that role stays.",
        is_stop=True,
        submit="End the role",
        back_url=reverse("account", args=[held.username]),
        back_label=held.name,
    )


@asks(Right.KEEP_PEOPLE)
def account_close(request: HttpRequest, username: str) -> HttpResponse:
    held = account_or_404(request, username)
    form = CloseAccountForm(request.POST or None)
    if form.is_valid() and attempt(form, close_account, by=request.user, account=held, **form.cleaned_data):
        messages.success(request, f"The account of {held.name} is closed, and every role of theirs is ended.")
        return redirect("account", held.username)
    return form_page(
        request,
        form,
        title=f"Close the account of {held.name}",
        overline=f"Account {held.username}",
        consequence=f"{held.name} is signed out at once and cannot sign in again, and every role of theirs "
        "ends. What they recorded stays, under their name.",
        is_stop=True,
        submit="Close the account",
        back_url=reverse("account", args=[held.username]),
        back_label=held.name,
    )


@asks(Right.KEEP_PEOPLE)
def account_reopen(request: HttpRequest, username: str) -> HttpResponse:
    held = account_or_404(request, username)
    form = ReopenAccountForm(request.POST or None)
    if form.is_valid() and attempt(form, reopen_account, by=request.user, account=held, **form.cleaned_data):
        messages.success(
            request, f"{held.name} can sign in again. Give a role: without one it opens no room."
        )
        return redirect("account", held.username)
    return form_page(
        request,
        form,
        title=f"Open the account of {held.name} again",
        overline=f"Account {held.username}",
        lead="With the password that it had. Roles that ended stay ended.",
        submit="Open it again",
        back_url=reverse("account", args=[held.username]),
        back_label=held.name,
    )


@require_GET
@asks(Right.SEE_RECORDS)
def appointment_list(request: HttpRequest) -> HttpResponse:
    today = timezone.localdate(now())
    return render(
        request,
        "competence/accounts/appointments.html",
        {"rows": appointment_rows(today), "may_appoint": may_everywhere(request.user, Right.APPOINT)},
    )


@asks(Right.APPOINT)
def appointment_new(request: HttpRequest) -> HttpResponse:
    require_everywhere(request.user, Right.APPOINT)
    form = AppointmentForm(request.POST or None)
    if form.is_valid() and (made := attempt(form, appoint, by=request.user, **form.cleaned_data)):
        messages.success(request, f"{made.account.name} is appointed for {made.category}.")
        return redirect("appointment-list")
    return form_page(
        request,
        form,
        title="Appoint a trainer",
        lead="The authority to assess one category, in writing, to a day. A later appointment for the same "
        "category replaces this one, so an appointment is ended by a new one that ends sooner.",
        submit="Appoint",
        back_url=reverse("appointment-list"),
        back_label="Appointments",
    )


class OwnPassword(PasswordChangeView):
    """Django's own form, through the action that journals the change."""

    template_name = "competence/accounts/own_password.html"
    success_url = reverse_lazy("home")

    def form_valid(self, form):
        held = attempt(
            form,
            set_password,
            by=self.request.user,
            account=self.request.user,
            password=form.cleaned_data["new_password1"],
        )
        if held is None:
            return self.form_invalid(form)
        update_session_auth_hash(self.request, held)
        messages.success(self.request, "Your password is changed. You are signed out everywhere else.")
        return redirect(self.get_success_url())


urlpatterns: list[URLPattern] = [
    path("operators/<str:number>/account/", account_new, name="account-new"),
    path("accounts/", account_list, name="account-list"),
    path("accounts/new/", account_staff_new, name="account-staff-new"),
    path("accounts/<str:username>/", account, name="account"),
    path("accounts/<str:username>/roles/<int:pk>/end/", role_end, name="role-end"),
    path("accounts/<str:username>/close/", account_close, name="account-close"),
    path("accounts/<str:username>/open-again/", account_reopen, name="account-reopen"),
    path("appointments/", appointment_list, name="appointment-list"),
    path("appointments/new/", appointment_new, name="appointment-new"),
    path("my/password/", OwnPassword.as_view(), name="password-change"),
]
