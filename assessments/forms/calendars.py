"""One's own mail: where to, or none."""

from django import forms

from competence.forms.record_form import RecordForm


class OwnMailForm(RecordForm):
    email = forms.EmailField(
        label="Email",
        required=False,
        help_text="The register writes when something that concerns you changes, and says each thing once.",
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )
    declines_mail = forms.BooleanField(label="Send me no mail", required=False)
