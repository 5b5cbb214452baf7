"""Asking the gate: who, which machine, when, and as known when."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from competence.actions.clock import now
from competence.forms.moments import NotAMoment, moment_in, moment_where_it_stood
from competence.forms.plant import NumberField
from competence.forms.record_form import RecordForm
from competence.models import Account, Machine, Operator, Site
from competence.permissions import Right, may


class GateForm(RecordForm):
    """Numbers that are unknown, and moments that are none, are errors beside their fields."""

    operator = NumberField(label="Operator number")
    machine = NumberField(label="Fleet number")
    at = forms.CharField(
        label="At",
        required=False,
        max_length=40,
        help_text="Local time where the machine stood then. Empty: now.",
        widget=forms.TextInput(attrs={"type": "datetime-local"}),
    )
    known_at = forms.CharField(
        label="As the register knew it at",
        required=False,
        max_length=40,
        help_text="On the same clock. Leaves out what was written down later. Empty: everything known now.",
        widget=forms.TextInput(attrs={"type": "datetime-local"}),
    )
    supervisor = NumberField(
        label="Supervising operator's number",
        required=False,
        help_text="Only a trainee needs one. It is taken that they have confirmed.",
    )

    def __init__(self, *args: Any, account: Account, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._account = account
        self.found_machine: Machine | None = None
        self.found_operator: Operator | None = None
        # The site on whose clock the moments were read: where the machine stood at the moment asked about.
        self.clock: Site | None = None

    def clean_operator(self) -> str:
        return self._known_operator("operator")

    def clean_supervisor(self) -> str:
        return self._known_operator("supervisor")

    def _known_operator(self, field: str) -> str:
        number = self.cleaned_data[field]
        if not number:
            return number
        found = Operator.objects.with_state().filter(number=number).first()
        if found is None:
            raise forms.ValidationError(f"Nobody with the number {number} is on the register.")
        if field == "operator":
            self.found_operator = found
        return number

    def clean_machine(self) -> str:
        number = self.cleaned_data["machine"]
        found = Machine.objects.with_state().filter(fleet_number=number).first()
        if found is None:
            raise forms.ValidationError(f"No machine with the fleet number {number} is on the register.")
        if not may(self._account, Right.ASK_GATE, site=found.site):
            raise forms.ValidationError(f"{number} stands at {found.site.name}, which is not your site.")
        self.found_machine = found
        return number

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if self.found_machine is not None:
            self.clock = self.found_machine.site
            for field in ("at", "known_at"):
                cleaned[field] = self._moment(field, self.found_machine)
        return cleaned

    def _moment(self, field: str, machine: Machine) -> datetime | None:
        text = self.cleaned_data.get(field, "")
        if not text:
            return now()
        try:
            if field == "at":
                moment, self.clock = moment_where_it_stood(text, machine, takes_first=True)
            else:
                moment = moment_in(text, ZoneInfo(self.clock.zone), takes_first=True)
        except NotAMoment as error:
            self.add_error(field, str(error))
            return None
        if field == "known_at" and moment > now():
            self.add_error(field, "Nobody knows yet what the register will say. Choose now or earlier.")
        return moment
