"""The forms of the daily check: who supervises, what was found at a point, and the end of the walk-around."""

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth import authenticate
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest
from django.urls import reverse
from django.utils.dateparse import parse_datetime
from django.utils.timezone import is_aware

from competence.actions.drafts import Answer
from competence.forms.record_form import RecordForm
from competence.inputs.photographs import NotAPhotograph, photograph_jpeg
from competence.models import Account, Finding, Grade, ListedPoint, Operator, Point

SUPERVISING = "I am supervising now. The place is suitable, and nobody is endangered by it."


class StartForm(RecordForm):
    """Start a check, alone or under a supervising operator who confirms with their own sign-in.

    What the confirmation says follows 29 CFR 1910.178(l)(2)(i): under the direct supervision of a competent
    person, and where it endangers neither the trainee nor others.
    """

    check_id = forms.UUIDField(widget=forms.HiddenInput)
    supervisor = forms.CharField(
        label="Their operator number",
        required=False,
        max_length=20,
        help_text="Naming somebody who does not confirm starts nothing; the refusal then says who was named.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    supervisor_name = forms.CharField(
        label="Supervising operator's sign-in name",
        required=False,
        max_length=150,
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}
        ),
    )
    supervisor_password = forms.CharField(
        label="Supervising operator's password",
        required=False,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "off"}),
    )
    is_supervising = forms.BooleanField(label=SUPERVISING, required=False)

    supervisor_account: Account | None = None
    named: Operator | None = None

    def __init__(self, *args: Any, request: HttpRequest, trainee: Operator, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request, self.trainee = request, trainee
        self.fields["check_id"].initial = uuid.uuid4

    def clean_supervisor(self) -> str:
        number = self.cleaned_data["supervisor"].upper()
        if not number:
            return ""
        self.named = Operator.objects.filter(number=number).first()
        if self.named is None:
            raise forms.ValidationError(f"Nobody on the register has the operator number {number}.")
        if self.named == self.trainee:
            raise forms.ValidationError("That is your own number. Somebody else must supervise you.")
        return number

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        name, password = given.get("supervisor_name", ""), given.get("supervisor_password", "")
        if not name and not password:
            if given.get("is_supervising"):
                self.add_error("supervisor_name", "The supervising operator signs in here to confirm.")
            return given
        if not name or not password:
            self.add_error(
                "supervisor_password" if name else "supervisor_name",
                "Both the sign-in name and the password are needed to confirm.",
            )
            return given
        self._sign_in(name, password)
        if not given.get("is_supervising"):
            self.add_error("is_supervising", "The supervising operator ticks this to confirm.")
        return given

    def _sign_in(self, name: str, password: str) -> None:
        account = authenticate(self.request, username=name, password=password)
        if account is None:
            self.add_error(
                "supervisor_password",
                "This sign-in name and password do not go together. Nothing is confirmed; try again.",
            )
        elif self.named is not None and account.operator_id != self.named.pk:
            self.add_error(
                "supervisor_name", f"This sign-in is not {self.named.name}'s. Nothing is confirmed."
            )
        elif account.operator is None:
            self.add_error("supervisor_name", "This sign-in is not an operator's. Nothing is confirmed.")
        elif account.operator_id == self.trainee.pk:
            self.add_error("supervisor_name", "That is your own sign-in. Somebody else must supervise you.")
        elif "supervisor" not in self.errors:
            self.named, self.supervisor_account = account.operator, account


class PointForm(forms.Form):
    """What was found at one point. Its fields end in the point's key, so that a zone is one form to post."""

    answer = forms.ChoiceField(choices=Finding.Answer.choices, required=False)
    grade = forms.ChoiceField(choices=Grade.choices, required=False)
    note = forms.CharField(max_length=500, required=False)
    reason = forms.CharField(max_length=300, required=False)
    photo = forms.FileField(required=False, allow_empty_file=True)

    photograph: bytes | None = None

    def __init__(self, listed: ListedPoint, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, prefix=str(listed.pk), **kwargs)
        self.listed = listed

    def add_prefix(self, field_name: str) -> str:
        return f"{field_name}-{self.prefix}"

    def clean_photo(self) -> None:
        file: UploadedFile | None = self.cleaned_data.get("photo")
        # A hidden field keeps its file when another answer is tapped; it is no longer asked for.
        if not file or self.data.get(self.add_prefix("answer")) != Finding.Answer.DEFECT:
            return
        try:
            self.photograph = photograph_jpeg(file, size=file.size, max_bytes=settings.PHOTOGRAPH_MAX_BYTES)
        except NotAPhotograph as refused:
            raise forms.ValidationError(str(refused)) from refused

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        answer = given.get("answer")
        if answer == Finding.Answer.DEFECT:
            # At a critical point any defect stops use, so there is nothing to choose.
            if not given.get("grade") and not self.listed.point.is_critical and "grade" not in self.errors:
                self.add_error("grade", "Say how bad it is: stop use, or report.")
            if not given.get("note") and "note" not in self.errors:
                self.add_error("note", "Say what is wrong.")
        elif answer == Finding.Answer.NOT_REACHED and not given.get("reason") and "reason" not in self.errors:
            self.add_error("reason", "Say why it was not reached.")
        return given

    @property
    def sentences(self) -> list[str]:
        return [sentence for errors in self.errors.values() for sentence in errors]

    @property
    def is_photograph_only_at_fault(self) -> bool:
        return set(self.errors) == {"photo"}

    def as_answer(self) -> Answer | None:
        """The answer, or ``None`` where none was chosen."""
        given = self.cleaned_data
        if not given.get("answer"):
            return None
        return Answer(
            self.listed,
            given["answer"],
            grade=given["grade"],
            note=given["note"],
            not_reached_reason=given["reason"],
            photograph=self.photograph,
        )

    def as_typed(self) -> Finding:
        """What was typed, for the card to show again; not a row to save."""
        names = {"answer": "answer", "grade": "grade", "note": "note", "not_reached_reason": "reason"}
        return Finding(**{field: self.data.get(self.add_prefix(name), "") for field, name in names.items()})


@dataclass(frozen=True)
class PointCard:
    """One point as components/point_card.html shows it."""

    pk: int
    number: int
    point: Point
    finding: Finding | None
    errors: tuple[str, ...] = ()
    saved: str = ""
    photo_url: str = ""


def photograph_url(finding: Finding | None) -> str:
    has_one = finding is not None and finding.answer == Finding.Answer.DEFECT and finding.photograph
    # A replaced photograph gets another address, so that no browser shows the old one.
    return f"{reverse('photograph', args=[finding.pk])}?v={finding.photograph_sha256[:8]}" if has_one else ""


def point_cards(
    pairs: Iterable[tuple[ListedPoint, Finding | None]],
    numbers: Mapping[int, int],
    wrong: Mapping[int, PointForm],
) -> list[PointCard]:
    """The cards of a zone; what was typed wrongly stands as it was typed, with its errors."""
    cards = []
    for listed, finding in pairs:
        form = wrong.get(listed.pk)
        cards.append(
            PointCard(
                listed.pk,
                numbers[listed.pk],
                listed.point,
                form.as_typed() if form else finding,
                tuple(form.sentences) if form else (),
                "saved" if finding and not form else "",
                photograph_url(finding),
            )
        )
    return cards


class MeterField(forms.DecimalField):
    """Hours to one place; many keyboards write the point as a comma."""

    def to_python(self, value: Any) -> Any:
        if isinstance(value, str) and "." not in value:
            value = value.replace(",", ".")
        return super().to_python(value)


class FinishForm(RecordForm):
    """The end of the walk-around: the hour meter, and the press that submits."""

    refusal_id = forms.UUIDField(widget=forms.HiddenInput)
    device_clock_at = forms.CharField(required=False, max_length=40, widget=forms.HiddenInput)
    hour_meter = MeterField(
        label="Hour meter",
        min_value=0,
        max_digits=8,
        decimal_places=1,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
        error_messages={
            "required": "Read the hour meter and type it here.",
            "invalid": "Type the hours as a number, such as 4210.5.",
            "min_value": "An hour meter does not read below zero.",
            "max_decimal_places": "One figure after the point is enough.",
            "max_digits": "This is more than an hour meter can read.",
            "max_whole_digits": "This is more than an hour meter can read.",
        },
    )
    hour_meter_note = forms.CharField(
        label="Why the reading is right",
        required=False,
        max_length=200,
        help_text="Only where the register doubts it: a new meter, for example.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["refusal_id"].initial = uuid.uuid4

    def as_kept(self) -> dict[str, Any]:
        """What was typed and what is wrong with it, for the session."""
        typed = {name: self.data.get(name, "") for name in ("hour_meter", "hour_meter_note")}
        return {"typed": typed, "errors": self.errors.get_json_data()}

    @classmethod
    def again(cls, kept: Mapping[str, Any] | None) -> "FinishForm":
        """The form as it was left, with its errors where they have not been told yet."""
        if not kept or "errors" not in kept:
            return cls(initial=kept["typed"] if kept else None)
        form = cls({**kept["typed"], "refusal_id": str(uuid.uuid4())})
        form.errors.clear()
        for field, errors in kept["errors"].items():
            for error in errors:
                form.add_error(None if field == "__all__" else field, error["message"])
        return form

    def clean_device_clock_at(self) -> datetime | None:
        """The device's moment; a clock that cannot be read says nothing, and must not stop the check."""
        try:
            moment = parse_datetime(self.cleaned_data["device_clock_at"])
        except ValueError:
            return None
        return moment if moment and is_aware(moment) else None


class SetAsideForm(RecordForm):
    """Put a draft away, with the reason."""

    reason = forms.CharField(
        label="Why it is set aside",
        max_length=300,
        widget=forms.TextInput(),
        error_messages={"required": "Say in a few words why this check is set aside."},
    )
