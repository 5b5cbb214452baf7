"""Accounts, roles and appointments."""

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.validators import UnicodeUsernameValidator

from competence.forms.record_form import RecordForm, WhereItHoldsForm, day, reason, refuse_last_before_first
from competence.models import Account, Category, Role


class SignInForm(AuthenticationForm):
    """The front door, with its answers in the register's own words."""

    error_messages = {
        **AuthenticationForm.error_messages,
        "invalid_login": "This name and password do not go together. In the password, capital and small "
        "letters differ; in the name they do not.",
        "inactive": "This account is closed. A site admin can say why.",
    }


def new_password() -> forms.CharField:
    return forms.CharField(
        label="Password",
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least 10 characters. Tell the person, who can change it after signing in.",
    )


class ContactForm(RecordForm):
    phone = forms.CharField(
        label="Phone",
        max_length=30,
        required=False,
        help_text="Shown to operators who are stopped and need to ring somebody.",
        widget=forms.TextInput(attrs={"type": "tel"}),
    )
    email = forms.EmailField(label="Email", required=False)


class ReachForm(ContactForm):
    """How an account that is open is reached."""

    declines_mail = forms.BooleanField(
        label="Send no mail",
        required=False,
        help_text="Otherwise the register writes when something that concerns them changes.",
    )


class OperatorAccountForm(ContactForm):
    username = forms.CharField(
        label="Name to sign in with", max_length=150, validators=[UnicodeUsernameValidator()]
    )
    password = new_password()

    field_order = ["username", "password", "phone", "email"]


class StaffAccountForm(OperatorAccountForm):
    given_name = forms.CharField(label="Given name", max_length=150)
    family_name = forms.CharField(label="Family name", max_length=150)

    field_order = ["given_name", "family_name", "username", "password", "phone", "email"]


class RoleForm(WhereItHoldsForm):
    name = forms.ChoiceField(label="Role", choices=Role.Name.choices)

    field_order = ["name", "site"]


class EndRoleForm(RecordForm):
    reason = reason("Why it ends")


class CloseAccountForm(RecordForm):
    reason = reason("Why it is closed")


class ReopenAccountForm(RecordForm):
    reason = reason("Why it is opened again")


class PasswordForm(RecordForm):
    password = new_password()


class AppointmentForm(RecordForm):
    account = forms.ModelChoiceField(label="Trainer", queryset=Account.objects.none())
    category = forms.ModelChoiceField(label="Category", queryset=Category.objects.order_by("name"))
    first_day = day("First day")
    last_day = day("Last day")
    duties = forms.CharField(
        label="Duties, in writing",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="What the person is appointed to do. The law of the place may ask for this in writing.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["account"].queryset = (
            Account.objects.filter(
                is_active=True, roles__name=Role.Name.TRAINER, roles__ended_at__isnull=True
            )
            .distinct()
            .order_by("last_name", "first_name")
        )
        self.fields["account"].label_from_instance = lambda account: account.name

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        refuse_last_before_first(self)
        return cleaned
