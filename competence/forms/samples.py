"""Asking for a sample, and closing one."""

from datetime import timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.validators import RegexValidator
from django.utils import timezone

from competence.actions.clock import now
from competence.forms.moments import NotAMoment, moment_in
from competence.forms.record_form import RecordForm, day, refuse_last_before_first, typed_moment
from competence.models import Category, Sample, Site
from competence.queries.sample_populations import POPULATIONS, SampleAsked, population_named
from competence.queries.sites import sites_for
from competence.rules.dates import day_at, first_moment
from competence.rules.sampling_plans import LEVELS

SEED = RegexValidator(r"^[A-Za-z0-9-]{1,64}$", "Letters, digits and hyphens only, at most 64.")
PLAN = "plan"
BASES = (
    ("0", "No fault may turn up (the smallest sample)"),
    ("1", "One fault may turn up"),
    ("2", "Two faults may turn up"),
    (PLAN, "A plan of ISO 2859-1"),
)


class SampleForm(RecordForm):
    """``asked``: what was asked for, after the form was found good."""

    of = forms.ChoiceField(label="Which records")
    at = typed_moment(
        "At which moment", help_text="For tickets and operators. On the site's clock. Empty: now."
    )
    first_day = day("First day", required=False, help_text="For everything else: from this day ...")
    last_day = day("Last day", required=False, help_text="... to the end of this one.")
    site = forms.ModelChoiceField(label="Site", queryset=Site.objects.none())
    category = forms.ModelChoiceField(
        label="Category", queryset=Category.objects.none(), required=False, empty_label="Every category"
    )
    rate = forms.DecimalField(
        label="Tolerable rate of faults, %",
        required=False,
        min_value=Decimal("0.1"),
        max_value=Decimal("99.9"),
        max_digits=5,
        decimal_places=3,
        help_text="If so many of all the records had a fault, it would be too many. 2 to 10 is usual.",
    )
    confidence = forms.DecimalField(
        label="Confidence, %",
        min_value=Decimal(50),
        max_value=Decimal("99.9"),
        max_digits=4,
        decimal_places=1,
        help_text="How sure you want to be. 95 is usual; more takes a larger sample.",
    )
    basis = forms.ChoiceField(
        label="When is the aim reached?",
        choices=BASES,
        help_text="Say this before you look. Allowing a fault takes a larger sample.",
    )
    level = forms.TypedChoiceField(
        label="Acceptable quality limit, %",
        required=False,
        coerce=Decimal,
        empty_value=None,
        choices=[("", "None"), *((str(level), f"{level} %") for level in LEVELS)],
        help_text="Only for a plan of ISO 2859-1, in the place of the tolerable rate.",
    )
    is_by_site = forms.BooleanField(
        label="Draw from each site by itself",
        required=False,
        help_text="In proportion to what it holds, and one at least, so that no site is left out.",
    )
    seed = forms.CharField(
        label="Seed",
        required=False,
        max_length=64,
        validators=[SEED],
        help_text="Any number or word of yours, such as what dice gave. It settles what is drawn, so that "
        "anybody can do the draw again. Empty: the register makes one up and shows it.",
    )

    def __init__(self, *args: Any, site_ids: frozenset[int] | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.asked: SampleAsked | None = None
        self.fields["of"].choices = [(one.code, one.label) for one in POPULATIONS]
        self.fields["category"].queryset = Category.objects.order_by("name")
        site = self.fields["site"]
        site.queryset = sites_for(site_ids)
        if site_ids is None:
            site.required, site.empty_label = False, "Every site"

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if {"of", "basis", "confidence"} <= set(cleaned) and not self.errors:
            self._narrow(cleaned)
            self._refuse_half_a_plan(cleaned)
        if not self.errors:
            self.asked = self._asked(cleaned)
        return cleaned

    def _narrow(self, cleaned: dict[str, Any]) -> None:
        """Read the moment, or the days, on the clock of the site; of every site, on that of the pages."""
        site = cleaned.get("site")
        zone = ZoneInfo(site.zone) if site else timezone.get_current_timezone()
        moment = now()
        if population_named(cleaned["of"]).is_state:
            cleaned["moment"] = moment
            if cleaned.get("at"):
                try:
                    cleaned["moment"] = moment_in(cleaned["at"], zone, takes_first=True)
                except NotAMoment as error:
                    self.add_error("at", str(error))
            return
        first, last = cleaned.get("first_day"), cleaned.get("last_day")
        for field, given in (("first_day", first), ("last_day", last)):
            if given is None:
                self.add_error(field, "These records are asked for between two days: give both.")
            elif given > day_at(moment, zone) or given.year < 1900:
                self.add_error(
                    field, "That is still to come." if given.year > 1900 else "That is too long ago."
                )
        refuse_last_before_first(self)
        if self.errors:
            return
        cleaned["first_moment"] = first_moment(first, zone)
        cleaned["before"] = first_moment(last + timedelta(days=1), zone)

    def _refuse_half_a_plan(self, cleaned: dict[str, Any]) -> None:
        if cleaned["basis"] == PLAN and cleaned.get("level") is None:
            self.add_error("level", "A plan of ISO 2859-1 goes by an acceptable quality limit: choose one.")
        if cleaned["basis"] != PLAN and cleaned.get("rate") is None:
            self.add_error("rate", "Say which rate of faults would be too much.")
        if cleaned.get("is_by_site") and cleaned.get("site"):
            self.add_error(
                "is_by_site", "One site is asked for already. Choose every site, or take this away."
            )

    def _asked(self, cleaned: dict[str, Any]) -> SampleAsked:
        is_plan = cleaned["basis"] == PLAN
        return SampleAsked(
            of=cleaned["of"],
            site=cleaned.get("site"),
            category=cleaned.get("category"),
            at=cleaned.get("moment"),
            first_moment=cleaned.get("first_moment"),
            before=cleaned.get("before"),
            basis=Sample.Basis.PLAN if is_plan else Sample.Basis.RATE,
            confidence=cleaned["confidence"] / 100,
            rate=None if is_plan else cleaned["rate"] / 100,
            allowed=0 if is_plan else int(cleaned["basis"]),
            level=cleaned["level"] if is_plan else None,
            is_by_site=cleaned["is_by_site"],
            seed=cleaned["seed"],
        )


class CloseSampleForm(RecordForm):
    """The end of a sample. With records that have no verdict yet, closing is said twice."""

    remarks = forms.CharField(
        label="Remarks",
        required=False,
        max_length=2000,
        help_text="What you want kept beside the result, word for word.",
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    leaves_out = forms.BooleanField(
        error_messages={
            "required": "Records have no verdict yet. Give them one, or tick that you close without."
        }
    )

    def __init__(self, *args: Any, unanswered: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if unanswered:
            are = "1 record has" if unanswered == 1 else f"{unanswered} records have"
            self.fields["leaves_out"].label = f"{are} no verdict: close all the same, for good"
        else:
            del self.fields["leaves_out"]
