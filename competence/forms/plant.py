"""Entering and changing a machine."""

from typing import Any

from django import forms

from competence.forms.record_form import RecordForm, from_when, reason
from competence.models import Category, Feature, Site
from competence.models.people import NUMBER


class NumberField(forms.CharField):
    """A number as it is painted on a machine or printed on a card; small letters typed become capitals."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=20, validators=[NUMBER], **kwargs)

    def to_python(self, value: Any) -> str:
        return super().to_python(value).upper()


class _MachineForm(RecordForm):
    make_and_model = forms.CharField(
        label="Make and model",
        max_length=120,
        help_text="As on the machine's plate. Familiarisation counts for exactly this text, so write it the "
        "same for every machine of the model.",
    )
    category = forms.ModelChoiceField(label="Category", queryset=Category.objects.order_by("name"))
    operating_mass_kg = forms.IntegerField(
        label="Operating mass, kg",
        required=False,
        min_value=1,
        max_value=2_000_000,
        help_text="From the manual or the plate. A category that is bounded by mass asks for it.",
    )
    site = forms.ModelChoiceField(label="Site", queryset=Site.objects.order_by("name"))
    features = forms.ModelMultipleChoiceField(
        label="Features and attachments fitted",
        required=False,
        queryset=Feature.objects.order_by("-kind", "name"),
        widget=forms.CheckboxSelectMultiple,
        help_text="A point of the checklist that is for a feature is asked only where the feature is fitted.",
    )


class NewMachineForm(_MachineForm):
    fleet_number = NumberField(
        label="Fleet number",
        help_text="As painted on the machine: letters, digits and hyphens. It never changes.",
    )
    serial_number = forms.CharField(label="Serial number", max_length=60, required=False)

    field_order = ["fleet_number", "serial_number"]


class ChangeMachineForm(_MachineForm):
    is_in_service = forms.BooleanField(
        label="In service",
        required=False,
        help_text="Out of service: every daily check of it is refused, whoever asks.",
    )
    effective_at = from_when()
    reason = reason()
