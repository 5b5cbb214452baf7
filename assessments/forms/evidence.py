"""Evidence for several people at once: the fields of one kind, and whom it is about."""

from typing import Any

from django import forms

from assessments.forms.bookings import OperatorsField
from competence.forms.evidence import EvidenceForm
from competence.models import Operator


class GroupEvidenceForm(EvidenceForm):
    """Only what was done or passed: who did not pass is recorded on their own, with the reason."""

    operators = OperatorsField(
        label="Who it is about",
        queryset=Operator.objects.none(),
        error_messages={"required": "Tick at least one person."},
    )

    def __init__(self, *args: Any, operators: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields.pop("is_met", None)
        self.fields["operators"].queryset = operators

    @property
    def beside_the_people(self) -> list[forms.BoundField]:
        return [field for field in self if field.name != "operators"]


class MoveForm(forms.Form):
    """Which move the page offered: it must still be the one that the record leads to."""

    move = forms.ChoiceField(choices=(("issue", ""), ("raise", ""), ("renew", "")))
