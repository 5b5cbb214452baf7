"""Publishing a new version of a standard: its terms, and one row for each kind of requirement."""

from decimal import Decimal
from typing import Any

from django import forms

from competence.forms.record_form import RecordForm, day
from competence.models import Category, Requirement, StandardVersion
from competence.models.standards import LEAST_RECALL, MOST_RECALL
from competence.rules.requirements import IN_HOURS


class StandardTermsForm(RecordForm):
    in_force_from = day("In force from", help_text="Today or later, and after the version before it.")
    months = forms.IntegerField(label="A ticket counts for, months", min_value=1, max_value=240)
    period_end = forms.ChoiceField(label="It ends", choices=StandardVersion.PeriodEnd.choices)
    renewal_window_days = forms.IntegerField(
        label="Renewal window, days before the end",
        min_value=0,
        max_value=3660,
        help_text="Assessed inside it, the new period runs on from the old end.",
    )
    lapse_limit_days = forms.IntegerField(
        label="Lapse limit, days after the end",
        min_value=0,
        max_value=3660,
        help_text="Lapsed longer, it cannot be renewed: the full route again.",
    )
    pass_mark = forms.DecimalField(
        label="Pass mark of the practical assessment, per cent",
        min_value=1,
        max_value=100,
        max_digits=4,
        decimal_places=1,
    )
    issue_by_another = forms.BooleanField(label="Issued by another person than the assessor", required=False)
    accepts = forms.ModelMultipleChoiceField(
        label="A ticket for one of these also covers this category",
        required=False,
        queryset=Category.objects.order_by("name"),
        widget=forms.CheckboxSelectMultiple,
        help_text="Never passed on: what those tickets cover by their own standards does not count here.",
    )
    note = forms.CharField(
        label="Note",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Why this version differs from the one before.",
    )

    def __init__(self, *args: Any, category: Category, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["accepts"].queryset = Category.objects.exclude(pk=category.pk).order_by("name")

    @property
    def terms(self) -> dict[str, Any]:
        """The terms as the action takes them; the pass mark as a share."""
        terms = dict(self.cleaned_data)
        terms["pass_mark"] = (terms["pass_mark"] / 100).quantize(Decimal("0.001"))
        return terms


class RequirementForm(RecordForm):
    """One kind of requirement: asked for or not."""

    kind = forms.CharField(widget=forms.HiddenInput)
    is_asked = forms.BooleanField(label="Asked for", required=False)
    title = forms.CharField(label="Title", max_length=120, required=False)
    detail = forms.CharField(
        label="What is asked",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    months = forms.IntegerField(
        label="Counts for, months",
        required=False,
        min_value=1,
        max_value=240,
        help_text="Empty: as long as the evidence itself says.",
    )
    hours = forms.DecimalField(
        label="Hours needed", required=False, min_value=Decimal("0.25"), max_digits=6, decimal_places=2
    )
    recall_level = forms.DecimalField(
        label="Recall needed, per cent",
        required=False,
        min_value=LEAST_RECALL * 100,
        max_value=MOST_RECALL * 100,
        max_digits=4,
        decimal_places=1,
        help_text="How likely a critical topic must still be known. The higher, the sooner they fall due.",
    )
    source = forms.CharField(
        label="Source",
        max_length=200,
        required=False,
        help_text="The law, standard or guidance that asks for it; else “common practice”.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kind = self.initial.get("kind")
        self.kind = Requirement.Kind(kind) if kind in Requirement.Kind.values else None
        if self.kind not in IN_HOURS:
            del self.fields["hours"]
        if self.kind is not Requirement.Kind.RECALL:
            del self.fields["recall_level"]

    def clean_kind(self) -> str:
        # The rows are the kinds, in their order; what was sent instead is not looked at.
        return self.kind.value

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if cleaned.get("is_asked"):
            if not cleaned.get("title"):
                self.add_error("title", "Say in a few words what is asked for.")
            if self.kind in IN_HOURS and not cleaned.get("hours") and "hours" not in self.errors:
                self.add_error("hours", "Say how many hours are needed.")
            if self.kind is Requirement.Kind.RECALL and not (
                cleaned.get("recall_level") or "recall_level" in self.errors
            ):
                self.add_error("recall_level", "Say how likely a critical topic must still be known.")
        return cleaned

    @property
    def heading(self) -> str:
        return self.kind.label

    @property
    def line(self) -> dict[str, Any]:
        """The requirement as the action takes it; the recall needed as a share."""
        names = ("kind", "title", "detail", "months", "hours", "source")
        level = self.cleaned_data.get("recall_level")
        return {name: self.cleaned_data.get(name) for name in names} | {
            "recall_level": level and (level / 100).quantize(Decimal("0.001"))
        }


class _AllKinds(forms.BaseFormSet):
    @property
    def lines(self) -> list[dict[str, Any]]:
        return [form.line for form in self.forms if form.cleaned_data.get("is_asked")]


_Formset = forms.formset_factory(RequirementForm, formset=_AllKinds, extra=0)


def requirement_forms(posted: Any, latest: StandardVersion | None) -> _AllKinds:
    """One form for each kind, filled in from the latest version. One statement, where there is one."""
    asked = {row.kind: row for row in latest.requirements.all()} if latest else {}
    initial = []
    for kind in Requirement.Kind:
        row = asked.get(kind.value)
        names = ("title", "detail", "months", "hours", "source") if row else ()
        values = {name: getattr(row, name) for name in names}
        if row and row.recall_level is not None:
            values["recall_level"] = f"{row.recall_per_cent.normalize():f}"
        initial.append({"kind": kind.value, "title": kind.label, **values, "is_asked": row is not None})
    if posted is not None:
        # The number of rows is ours, whatever is sent.
        posted = posted.copy()
        posted["requirements-TOTAL_FORMS"] = posted["requirements-INITIAL_FORMS"] = str(len(initial))
    return _Formset(posted, initial=initial, prefix="requirements")
