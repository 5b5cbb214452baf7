"""Asking for a plan."""

from datetime import date, timedelta
from typing import Any

from django import forms

from assessments.actions.plans import MOST_DAYS
from assessments.queries.planning import Asked
from competence.forms.record_form import RecordForm, day
from competence.queries.sites import sites_for

SECONDS = (("15", "15 seconds"), ("30", "Half a minute"), ("120", "Two minutes"), ("600", "Ten minutes"))


class PlanForm(RecordForm):
    sites = forms.ModelMultipleChoiceField(
        label="Sites",
        queryset=None,
        to_field_name="code",
        widget=forms.CheckboxSelectMultiple(attrs={"class": "form-check-input"}),
        error_messages={"required": "Choose at least one site."},
    )
    first = day("First day")
    last = day("Last day")
    capacity = forms.IntegerField(label="Assessments a day, for each assessor", min_value=1, max_value=20)
    at_weekends = forms.BooleanField(label="At weekends too", required=False)
    seconds = forms.ChoiceField(label="Search for", choices=SECONDS)

    def __init__(self, *args: Any, site_ids: frozenset[int] | None, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        self.fields["sites"].queryset = sites_for(site_ids)

    def clean(self) -> dict[str, Any]:
        asked = super().clean()
        first, last = asked.get("first"), asked.get("last")
        if first and first <= self.today:
            self.add_error("first", "Plan from tomorrow on: today's day has begun.")
        if first and last and last < first:
            self.add_error("last", "The last day is before the first.")
        elif first and last and last - first >= timedelta(days=MOST_DAYS):
            self.add_error("last", "Plan a year at most.")
        return asked

    def asked(self) -> Asked:
        said = self.cleaned_data
        return Asked(
            tuple(site.code for site in said["sites"]),
            said["first"],
            said["last"],
            said["capacity"],
            said["at_weekends"],
        )
