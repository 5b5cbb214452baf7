"""Closing a defect."""

from django import forms

from competence.forms.record_form import RecordForm


class CloseDefectForm(RecordForm):
    done = forms.CharField(
        label="What was done",
        max_length=500,
        help_text="The repair, who did it and how it was tried. Kept with the defect, word for word.",
        widget=forms.Textarea(attrs={"rows": 3}),
    )
