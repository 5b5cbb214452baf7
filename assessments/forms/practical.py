"""The forms of a practical assessment: its start, marks as a page sends them, notes, and what follows."""

import json
import uuid
from datetime import datetime
from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth import authenticate
from django.http import HttpRequest, QueryDict
from django.utils.dateparse import parse_datetime
from django.utils.timezone import is_aware

from assessments.actions.practical import GivenMark, GivenNote
from assessments.models import Tap
from competence.actions.clock import now
from competence.forms.record_form import RecordForm, reason
from competence.inputs.photographs import NotAPhotograph, photograph_jpeg
from competence.models import Account, Machine, Operator

# A whole walk-around marked twice over fits; more at once is no walk-around.
MOST_MARKS = 500
# The largest key of a row.
MOST_KEY = 2**63 - 1


class StartForm(RecordForm):
    """Who is assessed on which machine. The page makes the assessment's id, so that two presses are one."""

    operator = forms.CharField(
        label="Operator number",
        max_length=20,
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
        error_messages={"required": "Type the operator's number."},
    )
    machine = forms.CharField(
        label="Machine's fleet number",
        max_length=20,
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
        error_messages={"required": "Type the fleet number that stands on the machine."},
    )
    assessment_id = forms.UUIDField(required=False, widget=forms.HiddenInput)
    booking = forms.IntegerField(required=False, min_value=1, max_value=MOST_KEY, widget=forms.HiddenInput)
    alongside = forms.UUIDField(label="Mark alongside a colleague", required=False)

    def clean_operator(self) -> Operator:
        number = self.cleaned_data["operator"].strip().upper()
        operator = Operator.objects.with_state().filter(number=number, state__isnull=False).first()
        if operator is None:
            raise forms.ValidationError(f"Nobody on the register has the operator number {number}.")
        return operator

    def clean_machine(self) -> Machine:
        number = self.cleaned_data["machine"].strip().upper()
        machine = Machine.objects.with_state().filter(fleet_number=number, state__isnull=False).first()
        if machine is None:
            raise forms.ValidationError(f"No machine on the register has the fleet number {number}.")
        return machine


def given_marks(body: bytes) -> list[GivenMark]:
    """Marks as the marking page sends them: ``{"device": …, "marks": [{point, mark, sent_as, tapped_at}]}``.

    A moment that cannot be one is taken as now: a device's clock decides nothing. Raises ``ValueError``.
    """
    try:
        said = json.loads(body)
        device, marks = str(said.get("device", ""))[:36].replace("\x00", ""), said["marks"]
        if len(marks) > MOST_MARKS or any(abs(int(one["point"])) > MOST_KEY for one in marks):
            raise ValueError("too many marks at once, or a point that no database can hold")
        return [
            GivenMark(
                listed_id=int(one["point"]),
                mark=str(one["mark"]),
                sent_as=uuid.UUID(str(one["sent_as"])),
                tapped_at=moment_told(str(one.get("tapped_at", ""))),
                device=device,
            )
            for one in marks
        ]
    except (KeyError, TypeError, AttributeError, OverflowError, RecursionError) as broken:
        raise ValueError("not marks") from broken


def moment_told(text: str) -> datetime:
    try:
        moment = parse_datetime(text)
    except ValueError:
        moment = None
    return moment if moment and is_aware(moment) and 2000 < moment.year < 2200 else now()


def posted_marks(posted: QueryDict, standing: dict[int, str]) -> list[GivenMark]:
    """What a zone's form changes, in walking order: without script the page cannot tell in which order
    things were seen. ``standing``: the mark that each point of the zone has now, or nothing."""
    batch, moment = _batch(posted), now()
    marks = []
    for pk, held in standing.items():
        mark = posted.get(f"mark-{pk}", held)
        if mark != held and (not mark or mark in Tap.Mark.values):
            marks.append(GivenMark(pk, mark, uuid.uuid5(batch, f"mark-{pk}-{mark}"), moment))
    return marks


def _batch(posted: QueryDict) -> uuid.UUID:
    try:
        return uuid.UUID(posted.get("batch", ""))
    except ValueError:
        return uuid.uuid4()


class NoteForm(forms.Form):
    """A remark or a photograph on one point; sent twice under one name, it is kept once."""

    text = forms.CharField(max_length=500, required=False)
    sent_as = forms.UUIDField()
    photo = forms.FileField(required=False, allow_empty_file=True)

    photograph: bytes | None = None

    @classmethod
    def posted(cls, request: HttpRequest, pk: int) -> "NoteForm":
        """The note on one point in the form of its zone."""
        posted = {
            "text": request.POST.get(f"note-{pk}", ""),
            "sent_as": uuid.uuid5(_batch(request.POST), f"note-{pk}"),
        }
        return cls(posted, {"photo": request.FILES.get(f"photo-{pk}")})

    def clean_photo(self) -> None:
        file = self.cleaned_data.get("photo")
        if not file:
            return
        try:
            self.photograph = photograph_jpeg(file, size=file.size, max_bytes=settings.PHOTOGRAPH_MAX_BYTES)
        except NotAPhotograph as refused:
            raise forms.ValidationError(str(refused)) from refused

    def as_note(self, listed_id: int) -> GivenNote:
        given = self.cleaned_data
        return GivenNote(listed_id, given["sent_as"], given["text"], self.photograph)

    @property
    def says_something(self) -> bool:
        return bool(self.cleaned_data.get("text") or self.photograph)

    @property
    def sentences(self) -> list[str]:
        return [sentence for errors in self.errors.values() for sentence in errors]


class ReasonForm(RecordForm):
    reason = reason()


class SignInForm(RecordForm):
    """Somebody else's own sign-in on this device. The session stays that of whoever is signed in."""

    name = forms.CharField(
        label="Sign-in name",
        max_length=150,
        widget=forms.TextInput(
            attrs={"autocomplete": "off", "autocapitalize": "none", "spellcheck": "false"}
        ),
    )
    password = forms.CharField(
        label="Password", strip=False, widget=forms.PasswordInput(attrs={"autocomplete": "off"})
    )

    account: Account | None = None

    def __init__(self, *args: Any, request: HttpRequest, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request = request

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        if given.get("name") and given.get("password"):
            self.account = authenticate(self.request, username=given["name"], password=given["password"])
            if self.account is None:
                self.add_error(
                    "password",
                    "This sign-in name and password do not go together. Nothing was changed; try again.",
                )
        return given


class OperatorConfirmForm(SignInForm):
    """The operator confirms on the assessor's phone."""

    def __init__(self, *args: Any, operator: Operator, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.operator = operator
        self.fields["name"].label = f"{operator.name}'s sign-in name"
        self.fields["password"].label = f"{operator.name}'s password"

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        if self.account is not None and self.account.operator_id != self.operator.pk:
            self.add_error(
                "name",
                f"This sign-in is not {self.operator.name}'s. Nothing is confirmed, and nothing is lost.",
            )
            self.account = None
        return given


class RaiseForm(SignInForm):
    """A second appointed assessor signs in here and says why."""

    reason = reason("Why the outcome is raised")
    field_order = ("reason", "name", "password")
    apart = ("name", "password")
    apart_legend = "The second assessor signs in"


class CorrectForm(RecordForm):
    is_competent = forms.TypedChoiceField(
        label="What it should have found",
        choices=[("yes", "Competent"), ("no", "Not yet competent")],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    reason = reason("What was wrong")
