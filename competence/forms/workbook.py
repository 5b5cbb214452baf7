"""Asking for a workbook: which part of the register, as of when, as known when."""

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from competence.actions.clock import now
from competence.forms.moments import NotAMoment, moment_in
from competence.forms.record_form import RecordForm, day, typed_moment
from competence.models import Account, Category, Employer, Site
from competence.permissions import Right, sites_with
from competence.queries.sites import sites_for
from competence.queries.workbook import CannotAnswer, Slice, refuse_unanswerable, zone_of


def slice_asked(
    *,
    allowed: frozenset[int] | None,
    sites: Iterable[Site],
    employer: Employer | None = None,
    category: Category | None = None,
    at: str = "",
    known_at: str = "",
    first: date | None = None,
    last: date | None = None,
    takes_first: bool = False,
) -> Slice:
    """The slice that was asked for in words; moments without an offset are on the workbook's own clock.

    ``allowed``: the sites that may be taken out (``None``: every one); no site named means all of them.
    Raises ``CannotAnswer`` for what is no moment, or one that the register holds nothing of. Five statements.
    """
    chosen = frozenset(site.pk for site in sites) or allowed
    zone, moment = zone_of(chosen), now()
    asked = Slice(
        at=_moment(at, zone, "at", moment, takes_first=takes_first),
        known_at=_moment(known_at, zone, "known_at", moment, takes_first=takes_first),
        zone=zone,
        site_ids=chosen,
        employer=employer.pk if employer else None,
        category=category.pk if category else None,
        first=first,
        last=last,
    )
    refuse_unanswerable(asked, moment)
    return asked


def _moment(text: str, zone: str, field: str, moment: datetime, *, takes_first: bool) -> datetime:
    if not text:
        return moment
    try:
        return moment_in(text, ZoneInfo(zone), takes_first=takes_first)
    except NotAMoment as error:
        raise CannotAnswer(str(error), field) from error


class WorkbookForm(RecordForm):
    """Nothing filled in is everything that the account may take out, as it stands now."""

    at = typed_moment("As of", help_text="What was true then. Empty: now.")
    known_at = typed_moment(
        "As the register knew it at",
        help_text="Leaves out what was written down later. Empty: everything known now.",
    )
    sites = forms.ModelMultipleChoiceField(
        label="Sites",
        queryset=None,
        required=False,
        to_field_name="code",
        widget=forms.CheckboxSelectMultiple(attrs={"class": "form-check-input"}),
        help_text="None ticked: all of these.",
    )
    employer = forms.ModelChoiceField(
        label="Employer",
        queryset=Employer.objects.order_by("name"),
        required=False,
        empty_label="Every employer",
    )
    category = forms.ModelChoiceField(
        label="Category",
        queryset=Category.objects.order_by("name"),
        to_field_name="code",
        required=False,
        empty_label="Every category",
    )
    first = day("What happened from", required=False)
    last = day("What happened to", required=False)

    def __init__(self, *args: Any, account: Account, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.allowed = sites_with(account, Right.TAKE_OUT)
        self.fields["sites"].queryset = sites_for(self.allowed)
        self.asked: Slice | None = None

    def clean(self) -> dict[str, Any]:
        said = super().clean()
        if not self.errors:
            try:
                self.asked = slice_asked(
                    allowed=self.allowed,
                    takes_first=True,
                    **{
                        part: said[part]
                        for part in ("sites", "employer", "category", "at", "known_at", "first", "last")
                    },
                )
            except CannotAnswer as refused:
                self.add_error(refused.field, str(refused))
        return said
