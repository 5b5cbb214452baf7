"""What forms have in common: a page that draws its own tag, a reason to give, dates as browsers ask them."""

from typing import Any

from crispy_forms.helper import FormHelper
from django import forms

from competence.models import Site
from competence.queries.sites import sites_for


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


class WhereItHoldsForm(RecordForm):
    """A form that asks at which site something holds; who may decide for every site can say that too."""

    site = forms.ChoiceField(label="At", error_messages={"required": "Say where it holds."})

    def __init__(self, *args: Any, site_ids: frozenset[int] | None, **kwargs: Any) -> None:
        """``site_ids``: the sites that the account decides for; ``None`` for each of them, and for all."""
        super().__init__(*args, **kwargs)
        self.sites = {str(site.pk): site for site in sites_for(site_ids)}
        choices = [("", "Choose"), *((pk, str(site)) for pk, site in self.sites.items())]
        if site_ids is None:
            choices.append(("every", "Every site"))
        self.fields["site"].choices = choices

    def clean_site(self) -> Site | None:
        """``None`` for every site."""
        return self.sites.get(self.cleaned_data["site"])


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


def typed_moment(label: str, *, help_text: str) -> forms.CharField:
    """A moment as text, for ``forms.moments`` to read: on whose clock, only the rest of the form tells."""
    return forms.CharField(
        label=label,
        required=False,
        max_length=40,
        help_text=help_text,
        widget=forms.TextInput(attrs={"type": "datetime-local"}),
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
