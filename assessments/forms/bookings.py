"""Booking assessments, and calling one off."""

from typing import Any

from django import forms

from assessments.queries.bookings import assessors_to_book, machines_to_book
from competence.forms.record_form import RecordForm, day, reason
from competence.models import Account, Category, Machine, Operator


class AssessorField(forms.ModelChoiceField):
    def label_from_instance(self, account: Account) -> str:
        return account.name


class MachineField(forms.ModelChoiceField):
    def label_from_instance(self, machine: Machine) -> str:
        state = machine.state
        return f"{machine.fleet_number}, {state.make_and_model} ({state.category.name}), {state.site.name}"


class OperatorsField(forms.ModelMultipleChoiceField):
    """People to tick, each with name and number; the page draws the list."""

    widget = forms.CheckboxSelectMultiple(attrs={"class": "form-check-input"})

    def label_from_instance(self, operator: Operator) -> str:
        return str(operator)


class BookingForm(RecordForm):
    """Whom, on which machine, when and by whom; the page says at which site."""

    operators = OperatorsField(
        label="Whom to assess",
        queryset=Operator.objects.none(),
        error_messages={"required": "Tick at least one person."},
    )
    machine = MachineField(label="Machine", queryset=Machine.objects.none())
    assessor = AssessorField(
        label="Assessor",
        queryset=Account.objects.none(),
        help_text="Appointed for the machine's category, with the appointment in date on that day.",
    )
    on = day("Day")
    starts_at = forms.TimeField(
        label="From",
        required=False,
        help_text="The site's time. Leave empty for any time that day.",
        widget=forms.TimeInput(format="%H:%M", attrs={"type": "time"}),
    )
    minutes_each = forms.IntegerField(
        label="Minutes for each",
        required=False,
        min_value=5,
        max_value=600,
        help_text="With several people and a time: they follow one another by this much.",
    )
    note = forms.CharField(
        label="Note", max_length=300, required=False, help_text="For example where to meet."
    )

    def __init__(
        self,
        *args: Any,
        operators: Any,
        site_ids: frozenset[int] | None,
        category: Category | None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["operators"].queryset = operators
        self.fields["machine"].queryset = machines_to_book(site_ids, category)
        self.fields["assessor"].queryset = assessors_to_book(site_ids)

    @property
    def beside_the_people(self) -> list[forms.BoundField]:
        return [field for field in self if field.name != "operators"]


class CallOffForm(RecordForm):
    reason = reason("Why it is called off")
