"""Rules of keeping, and the two forms by which something is erased."""

from typing import Any

from django import forms

from competence.forms.record_form import RecordForm, WhereItHoldsForm
from competence.queries.keeping import ANCHOR_WORDS, KIND_WORDS
from competence.rules.retention import Anchor, RecordKind


class KeepingRuleForm(WhereItHoldsForm):
    kind = forms.ChoiceField(
        label="What is kept", choices=[("", "Choose"), *((one.value, KIND_WORDS[one]) for one in RecordKind)]
    )
    months = forms.IntegerField(
        label="For how many months",
        min_value=0,
        max_value=1200,
        help_text="0 ends the rule that was kept before for the same.",
    )
    anchor = forms.ChoiceField(
        label="Counted from", choices=[(one.value, ANCHOR_WORDS[one].capitalize()) for one in Anchor]
    )
    source = forms.CharField(
        label="Where the rule stands",
        max_length=200,
        help_text="The law of the place, a permit, a procedure of the firm: so that anybody can look it up.",
    )

    field_order = ("kind", "site")


def why(label: str = "Why it is erased") -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=300,
        help_text="Kept for good with the erasure, so it must not name the person.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )


class ErasePersonForm(RecordForm):
    why = why()
    typed = forms.CharField(max_length=150, widget=forms.TextInput(attrs={"autocomplete": "off"}))

    def __init__(self, *args: Any, number: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["typed"].label = f"Type {number} to say whom you mean"


class EraseRecordForm(RecordForm):
    why = why()
