"""Who is away, from when to when."""

from typing import Any

from django import forms

from competence.forms.record_form import RecordForm, day, refuse_last_before_first
from competence.models import Account, Operator, Site
from competence.queries.absences import people_at, trainers_at

KINDS = ("leave", "sick", "course", "lent elsewhere")


class OperatorsField(forms.ModelMultipleChoiceField):
    """People to tick, each with name and number; the page draws the list."""

    widget = forms.CheckboxSelectMultiple(attrs={"class": "form-check-input"})

    def label_from_instance(self, operator: Operator) -> str:
        return str(operator)


class AssessorsField(forms.ModelMultipleChoiceField):
    widget = forms.CheckboxSelectMultiple(attrs={"class": "form-check-input"})

    def label_from_instance(self, account: Account) -> str:
        return account.name


class AbsenceForm(RecordForm):
    """The same days for everybody who is ticked."""

    operators = OperatorsField(label="Operators", queryset=Operator.objects.none(), required=False)
    assessors = AssessorsField(label="Assessors", queryset=Account.objects.none(), required=False)
    first_day = day("First day away")
    last_day = day("Last day away", help_text="The same as the first for one day.")
    kind = forms.CharField(
        label="In a word",
        max_length=40,
        help_text="Such as leave, sick, course.",
        widget=forms.TextInput(attrs={"list": "absence-kinds", "autocomplete": "off"}),
    )
    note = forms.CharField(label="Note", max_length=200, required=False)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["operators"].queryset = people_at(site)
        self.fields["assessors"].queryset = trainers_at(site)

    def clean(self) -> dict[str, Any]:
        asked = super().clean()
        refuse_last_before_first(self)
        if not self.errors and not asked["operators"] and not asked["assessors"]:
            self.add_error("operators", "Tick at least one person.")
        return asked

    @property
    def beside_the_people(self) -> list[forms.BoundField]:
        return [field for field in self if field.name not in ("operators", "assessors")]

    def asked(self) -> dict[str, Any]:
        """The arguments of the action."""
        asked = dict(self.cleaned_data)
        return {"accounts": list(asked.pop("assessors")), **asked, "operators": list(asked["operators"])}
