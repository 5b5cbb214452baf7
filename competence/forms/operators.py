"""Entering, changing and correcting an operator."""

from django import forms

from competence.forms.record_form import RecordForm, day, from_when, reason
from competence.models import Employer, Site
from competence.models.people import NUMBER


class NewOperatorForm(RecordForm):
    number = forms.CharField(
        label="Operator number",
        max_length=20,
        validators=[NUMBER],
        help_text="Capital letters, digits and hyphens. It is on the person's card and never changes.",
    )
    given_name = forms.CharField(label="Given name", max_length=80)
    family_name = forms.CharField(label="Family name", max_length=80)
    employer = forms.ModelChoiceField(label="Employer", queryset=Employer.objects.order_by("name"))
    site = forms.ModelChoiceField(label="Home site", queryset=Site.objects.order_by("name"))
    started_on = day("First day at work", help_text="The first refresher falls due from this day.")

    field_order = ["number", "given_name", "family_name", "site", "employer", "started_on"]


class ChangeOperatorForm(RecordForm):
    site = forms.ModelChoiceField(label="Home site", queryset=Site.objects.order_by("name"))
    employer = forms.ModelChoiceField(label="Employer", queryset=Employer.objects.order_by("name"))
    is_active = forms.BooleanField(
        label="Active: works with us now",
        required=False,
        help_text="Not active: every daily check is refused, and the account is closed.",
    )
    effective_at = from_when()
    reason = reason()


class CorrectOperatorForm(RecordForm):
    given_name = forms.CharField(label="Given name", max_length=80)
    family_name = forms.CharField(label="Family name", max_length=80)
    started_on = day("First day at work", help_text="The first refresher falls due from this day.")
    reason = reason()
