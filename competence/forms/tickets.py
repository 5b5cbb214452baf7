"""Deciding on tickets: each act asks for what it changes and for a reason."""

from typing import Any

from django import forms

from competence.forms.record_form import RecordForm, day, moment, reason, refuse_last_before_first
from competence.models import Category, Feature, Level, Site
from competence.rules.conditions import Conditions

CONDITION_FIELDS = (
    "limit_sites",
    "sites",
    "max_operating_mass_kg",
    "limit_attachments",
    "attachments",
    "daylight_only",
)


class ConditionsForm(RecordForm):
    """What a ticket is limited to. Left alone, it is limited by nothing."""

    apart = CONDITION_FIELDS
    apart_legend = "Conditions"

    limit_sites = forms.BooleanField(label="Only at the sites ticked here", required=False)
    sites = forms.ModelMultipleChoiceField(
        label="Sites",
        queryset=Site.objects.order_by("name"),
        to_field_name="code",
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    max_operating_mass_kg = forms.IntegerField(
        label="Operating mass up to, kg",
        min_value=1,
        max_value=2_000_000,
        required=False,
        help_text="Operating mass as ISO 6016 has it: the machine's plate or manual states it.",
    )
    limit_attachments = forms.BooleanField(
        label="Only with the attachments ticked here",
        required=False,
        help_text="With none ticked: without any attachment.",
    )
    attachments = forms.ModelMultipleChoiceField(
        label="Attachments",
        queryset=Feature.objects.filter(kind=Feature.Kind.ATTACHMENT).order_by("name"),
        to_field_name="code",
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    daylight_only = forms.BooleanField(label="In daylight only", required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if cleaned.get("limit_sites") and not cleaned.get("sites"):
            self.add_error("sites", "Tick at least one site, or do not limit the sites.")
        if cleaned.get("sites") and not cleaned.get("limit_sites"):
            self.add_error("limit_sites", "Sites are ticked: tick this too, or untick them.")
        if cleaned.get("attachments") and not cleaned.get("limit_attachments"):
            self.add_error("limit_attachments", "Attachments are ticked: tick this too, or untick them.")
        return cleaned

    @property
    def conditions(self) -> Conditions:
        """What was asked for, as the rules see it."""
        asked = self.cleaned_data
        return Conditions(
            sites=frozenset(site.code for site in asked["sites"]) if asked["limit_sites"] else None,
            max_operating_mass_kg=asked["max_operating_mass_kg"],
            attachments=frozenset(feature.code for feature in asked["attachments"])
            if asked["limit_attachments"]
            else None,
            daylight_only=asked["daylight_only"],
        )


def as_typed(conditions: Conditions) -> dict[str, Any]:
    """Conditions as the form's first values."""
    return {
        "limit_sites": conditions.sites is not None,
        "sites": sorted(conditions.sites or ()),
        "max_operating_mass_kg": conditions.max_operating_mass_kg,
        "limit_attachments": conditions.attachments is not None,
        "attachments": sorted(conditions.attachments or ()),
        "daylight_only": conditions.daylight_only,
    }


class IssueForm(ConditionsForm):
    category = forms.ModelChoiceField(label="Category", queryset=Category.objects.order_by("name"))
    level = forms.ChoiceField(
        label="Level",
        choices=Level.choices,
        help_text="A trainee ticket counts only beside a supervising operator who holds a full one.",
    )
    first_day = day("First day", required=False, help_text="Leave empty for today.")
    last_day = day("Last day", required=False, help_text="Leave empty for the standard's full term.")
    reason = reason(help_text="For example: practical and paper passed, as the standard asks.")

    field_order = ["category", "level", "first_day", "last_day", *CONDITION_FIELDS, "reason"]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        refuse_last_before_first(self)
        return cleaned


class RenewForm(RecordForm):
    assessed_on = day(
        "Day of the practical assessment",
        help_text="The assessment must be on record, and passed since the last issue or renewal.",
    )
    reason = reason()


class VaryForm(ConditionsForm):
    level = forms.ChoiceField(label="Level", choices=Level.choices)
    last_day = day("Last day", help_text="It can only come forward: a renewal makes a ticket longer.")
    reason = reason()

    field_order = ["level", "last_day", *CONDITION_FIELDS, "reason"]


class StopForm(RecordForm):
    """Suspend or withdraw: from now, or from the moment it was said."""

    effective_at = moment(
        "From when",
        required=False,
        help_text="Leave empty for now. If the person was stopped earlier by word of mouth, say when.",
    )
    reason = reason()


class ReinstateForm(RecordForm):
    reason = reason(help_text="What led to the suspension, and how it was put right.")


class CorrectEventForm(ConditionsForm):
    """What one event should have said, whole, or that it should not be there."""

    how = forms.ChoiceField(
        label="What was wrong",
        choices=(
            ("say", "It happened, but should have said something else (fill in below)"),
            ("strike", "It should not be there at all: strike it out"),
        ),
        widget=forms.RadioSelect,
        initial="say",
    )
    effective_at = moment("Took effect at", required=False)
    level = forms.ChoiceField(label="Level", choices=[("", "Left as it was"), *Level.choices], required=False)
    first_day = day("First day", required=False)
    last_day = day("Last day", required=False)
    says_conditions = forms.BooleanField(
        label="It states conditions", required=False, help_text="Unticked, it leaves them as they were."
    )
    reason = reason("Why it is corrected")

    field_order = [
        "how",
        "effective_at",
        "level",
        "first_day",
        "last_day",
        "says_conditions",
        *CONDITION_FIELDS,
        "reason",
    ]

    def __init__(self, *args: Any, kind: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # A stop or a return says when, and nothing else about the ticket.
        gone: tuple[str, ...] = ()
        if kind in ("suspended", "reinstated", "withdrawn"):
            gone = ("level", "first_day", "last_day", "says_conditions", *CONDITION_FIELDS)
        elif kind == "renewed":
            gone = ("level", "says_conditions", *CONDITION_FIELDS)
        elif kind == "varied":
            gone = ("first_day",)
        elif kind == "issued":
            gone = ("says_conditions",)
        for name in gone:
            del self.fields[name]
        self.kind = kind

    def clean(self) -> dict[str, Any]:
        if self.cleaned_data.get("how") == "strike":
            return self.cleaned_data
        cleaned = super().clean() if "sites" in self.fields else self.cleaned_data
        if not cleaned.get("effective_at") and "effective_at" not in self.errors:
            self.add_error("effective_at", "Say when it took effect.")
        if self.kind == "issued" and not cleaned.get("level"):
            self.add_error("level", "An issue states its level.")
        if self.kind in ("issued", "renewed"):
            for name in ("first_day", "last_day"):
                if not cleaned.get(name) and name not in self.errors:
                    self.add_error(name, "Say which day.")
        refuse_last_before_first(self)
        return cleaned

    @property
    def said_conditions(self) -> Conditions | None:
        if "sites" not in self.fields:
            return None
        return self.conditions if self.cleaned_data.get("says_conditions", True) else None


class AsOfForm(RecordForm):
    """Two moments: the one asked about, and the one whose knowledge counts."""

    at = moment("How it stood at", required=False, help_text="Empty: now.")
    known_at = moment("as the register knew it at", required=False, help_text="Empty: now.")
