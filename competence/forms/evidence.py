"""Recording evidence: each kind asks for what its rule needs, and no more."""

from decimal import Decimal
from typing import Any

from django import forms

from competence.forms.record_form import RecordForm, day, reason
from competence.models import Category, Requirement, Site
from competence.rules.requirements import MOST_HOURS

Kind = Requirement.Kind

# The fields that a kind asks for beside the day and where it came from. Refresher questions are not among the
# kinds: they come on record when they are answered.
ASKED = {
    Kind.PRACTICAL: ("category", "is_met", "counts_to"),
    Kind.PAPER: ("category", "is_met", "counts_to"),
    Kind.TRAINING_HOURS: ("hours", "optional_category"),
    Kind.SUPERVISED_HOURS: ("hours", "category"),
    Kind.MEDICAL: ("is_met", "counts_to"),
    Kind.INDUCTION: ("site", "is_met", "counts_to"),
    Kind.FAMILIARISATION: ("machine_model", "is_met", "counts_to"),
    Kind.REFRESHER: ("optional_hours", "optional_category"),
}

WHAT_IT_IS = {
    Kind.PRACTICAL: "Somebody appointed watched the person do the walk-around and the work.",
    Kind.PAPER: "A question paper was sat.",
    Kind.TRAINING_HOURS: "Hours of training on a category, or in general.",
    Kind.SUPERVISED_HOURS: "Hours of work under direct supervision.",
    Kind.MEDICAL: "A medical that says fit, or not fit, to operate plant.",
    Kind.INDUCTION: "The induction of one site.",
    Kind.FAMILIARISATION: "Shown one make and model, with its operator's manual.",
    Kind.REFRESHER: "Refresher training, in one session or several.",
}


class EvidenceForm(RecordForm):
    """The fields of one kind of evidence; ``models`` are the makes and models to offer."""

    occurred_on = day("The day it happened")
    category = forms.ModelChoiceField(label="Category", queryset=Category.objects.order_by("name"))
    site = forms.ModelChoiceField(label="Site", queryset=Site.objects.order_by("name"))
    machine_model = forms.CharField(
        label="Make and model",
        max_length=120,
        help_text="As the machine's own entry writes it: a familiarisation counts for that model only.",
        widget=forms.TextInput(attrs={"list": "machine-models", "autocomplete": "off"}),
    )
    is_met = forms.TypedChoiceField(
        label="Result",
        choices=(("yes", "Passed, or done"), ("no", "Not passed")),
        initial="yes",
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    hours = forms.DecimalField(
        label="Hours",
        min_value=Decimal("0.25"),
        max_value=MOST_HOURS,
        max_digits=6,
        decimal_places=2,
        error_messages={"max_value": f"One row of evidence takes {MOST_HOURS:,} hours at most."},
    )
    counts_to = day(
        "Counts to",
        required=False,
        help_text="The last day, if its own paper states one. The standard may end it sooner.",
    )
    came_from = forms.CharField(
        label="Where it comes from",
        max_length=200,
        help_text="Certificate number, course, assessor or document: enough to find it again.",
    )

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        asked = ASKED[Kind(kind)]
        for name in ("category", "site", "machine_model", "is_met", "hours", "counts_to"):
            if f"optional_{name}" in asked:
                self.fields[name].required = False
            elif name not in asked:
                del self.fields[name]
        if "category" in self.fields and not self.fields["category"].required:
            self.fields["category"].empty_label = "Every category"

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        happened, ends = cleaned.get("occurred_on"), cleaned.get("counts_to")
        if happened and ends and ends < happened:
            self.add_error("counts_to", "It cannot stop counting before the day it happened.")
        return cleaned


class CorrectEvidenceForm(EvidenceForm):
    reason = reason("Why it is corrected")


class StrikeOutForm(RecordForm):
    reason = reason("Why it is struck out")
