"""Asking the gate and the record: who, which machine, when, and for the record as known when."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from competence.actions.clock import now
from competence.forms.moments import NotAMoment, has_offset, moment_in, moment_where_it_stood
from competence.forms.plant import NumberField
from competence.forms.record_form import RecordForm, typed_moment
from competence.models import Account, Machine, Operator, Site
from competence.permissions import Right, may


class GateForm(RecordForm):
    """Numbers that are unknown, and moments that are none, are errors beside their fields."""

    right = Right.ASK_GATE

    operator = NumberField(label="Operator number")
    machine = NumberField(label="Fleet number")
    at = typed_moment("At", help_text="Local time where the machine stood then. Empty: now.")
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
        self.found_machine = found
        return number

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if self.found_machine is not None:
            self.clock = self.found_machine.site
            cleaned["at"] = self._moment("at")
            self._refuse_elsewhere()
        return cleaned

    def _refuse_elsewhere(self) -> None:
        if not may(self._account, self.right, site=self.found_machine.site):
            self._not_ones_site(self.found_machine.site)

    def _not_ones_site(self, site: Site) -> None:
        number = self.found_machine.fleet_number
        self.add_error("machine", f"{number} stands at {site.name}, which is not your site.")

    def _moment(self, field: str) -> datetime | None:
        text = self.cleaned_data.get(field, "")
        if not text:
            return now()
        try:
            if field == "at":
                moment, self.clock = moment_where_it_stood(text, self.found_machine, takes_first=True)
            else:
                moment = moment_in(text, ZoneInfo(self.clock.zone), takes_first=True)
        except NotAMoment as error:
            self.add_error(field, str(error))
            return None
        return moment


class AskRecordForm(GateForm):
    """The same question about a past moment, and one more moment of knowledge."""

    right = Right.ASK_RECORD

    known_at = typed_moment(
        "And as the register knew it at",
        help_text="A third answer, on the same clock, if you want one. Empty: none.",
    )
    field_order = ("operator", "machine", "at", "known_at", "supervisor")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["at"].required = True
        self.fields["at"].help_text = "Local time where the machine stood then."
        self.fields[
            "supervisor"
        ].help_text = "Only for a trainee, and only to ask about another than the day's check names."
        for name in ("at", "known_at"):
            # A browser's field for local moments would drop an offset, which says which of two is meant.
            if has_offset(str(self.data.get(name, ""))):
                self.fields[name].widget = forms.TextInput()
        # The site for which the account may ask: where the machine stood then, or where it stands now.
        self.site: Site | None = None

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if self.found_machine is None or cleaned.get("at") is None:
            return cleaned
        cleaned["known_at"] = self._moment("known_at") if cleaned.get("known_at") else None
        if cleaned["known_at"] and cleaned["known_at"] > now():
            self.add_error("known_at", "Nobody knows yet what the register will say. Choose now or earlier.")
        return cleaned

    def _refuse_elsewhere(self) -> None:
        for site in (self.clock, self.found_machine.site):
            if may(self._account, self.right, site=site):
                self.site = site
                return
        self._not_ones_site(self.clock)

    @property
    def second_at(self) -> datetime | None:
        """Where the clocks showed the moment asked about twice, and the first was taken: the second."""
        if has_offset(self.data.get("at", "")):
            return None
        zone = ZoneInfo(self.clock.zone)
        local = self.cleaned_data["at"].astimezone(zone)
        second = local.replace(fold=1)
        return second if second.utcoffset() != local.utcoffset() else None
