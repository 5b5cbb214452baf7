"""What if: somebody away, somebody lent, a day of assessment more."""

from datetime import date
from typing import Any

from django import forms

from assessments.queries.bookings import operators_at
from assessments.queries.cover import WhatIf
from competence.forms.record_form import RecordForm, day
from competence.models import Account, Operator, Site
from competence.permissions import Right, sites_with


class PersonField(forms.ModelChoiceField):
    def label_from_instance(self, operator: Operator) -> str:
        return str(operator)


class WhatIfForm(RecordForm):
    """Nothing is kept: the answer is in the address."""

    without = PersonField(
        label="Without", queryset=Operator.objects.none(), required=False, empty_label="Nobody"
    )
    lent = forms.CharField(
        label="Lent from another site",
        max_length=20,
        required=False,
        help_text="The operator's number. Whoever has no induction for this site does not count here.",
    )
    assessed = PersonField(
        label="Assessed on one day more",
        queryset=Operator.objects.none(),
        required=False,
        empty_label="Nobody",
    )
    on = day("Day of that assessment", required=False)

    def __init__(self, *args: Any, account: Account, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.account, self.today = account, today
        for name in ("without", "assessed"):
            self.fields[name].queryset = operators_at(site.pk)
            self.fields[name].to_field_name = "number"

    def clean_lent(self) -> str:
        number = self.cleaned_data["lent"].strip()
        if not number:
            return ""
        found = Operator.objects.at_sites(sites_with(self.account, Right.SEE_RECORDS))
        person = found.filter(number__iexact=number).first()
        if person is None:
            raise forms.ValidationError("Nobody with this number is at a site whose records you see.")
        return person.number

    def clean(self) -> dict[str, Any]:
        asked = super().clean()
        if asked.get("assessed") and not asked.get("on"):
            self.add_error("on", "Say on which day.")
        if asked.get("on") and asked["on"] < self.today:
            self.add_error("on", "That day is past.")
        return asked

    def what_if(self) -> WhatIf:
        asked = self.cleaned_data
        return WhatIf(
            without=frozenset({asked["without"].number}) if asked["without"] else frozenset(),
            lent=frozenset({asked["lent"]} - {""}),
            added={asked["assessed"].number: asked["on"]} if asked["assessed"] else None,
        )
