"""A code of a second factor."""

from django import forms

from competence.forms.record_form import RecordForm


class CodeForm(RecordForm):
    code = forms.CharField(
        label="Code",
        max_length=20,
        widget=forms.TextInput(
            attrs={
                # Paper codes have letters, so the phone's keyboard is not narrowed to figures.
                "autocomplete": "one-time-code",
                "autofocus": True,
                "class": "form-control-lg",
            }
        ),
    )

    def clean_code(self) -> str:
        # Phones show it in two groups, and paper is mostly typed in capitals.
        return self.cleaned_data["code"].replace(" ", "").lower()
