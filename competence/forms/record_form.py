"""What forms have in common: a page that draws its own tag, a reason to give, dates as browsers ask them."""

from typing import Any

from crispy_forms.helper import FormHelper
from django import forms


class RecordForm(forms.Form):
    """A form whose page draws its own tag and buttons."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = FormHelper(self)
        self.helper.form_tag = False
        self.helper.disable_csrf = True

    # Fields that stand together under a legend of their own.
    apart: tuple[str, ...] = ()
    apart_legend = ""

    @property
    def groups(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields in order, each run of those set apart under its legend."""
        found: list[tuple[str, list[forms.BoundField]]] = []
        for field in self:
            legend = self.apart_legend if field.name in self.apart else ""
            if not found or found[-1][0] != legend:
                found.append((legend, []))
            found[-1][1].append(field)
        return found


def day(label: str, *, required: bool = True, help_text: str = "") -> forms.DateField:
    return forms.DateField(
        label=label,
        required=required,
        help_text=help_text,
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
    )


def moment(label: str, *, required: bool = True, help_text: str = "") -> forms.DateTimeField:
    """A local moment, to the minute, in the time zone that is active when the form is cleaned."""
    return forms.DateTimeField(
        label=label,
        required=required,
        help_text=help_text,
        widget=forms.DateTimeInput(format="%Y-%m-%dT%H:%M", attrs={"type": "datetime-local"}),
    )


def reason(label: str = "Reason", help_text: str = "Kept with the record, word for word.") -> forms.CharField:
    return forms.CharField(
        label=label, max_length=300, help_text=help_text, widget=forms.Textarea(attrs={"rows": 2})
    )


def from_when() -> forms.DateTimeField:
    """The moment from which a change counts."""
    return moment(
        "From when",
        required=False,
        help_text="Leave empty for now. A change that happened earlier is entered with its own moment.",
    )


def refuse_last_before_first(form: forms.Form) -> None:
    """A period of ``first_day`` and ``last_day`` is the right way round; part of a form's ``clean``."""
    first, last = form.cleaned_data.get("first_day"), form.cleaned_data.get("last_day")
    if first and last and last < first:
        form.add_error("last_day", "The last day is before the first day.")
