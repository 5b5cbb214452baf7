"""Choosing a photograph of an operator for their card, and saying why a card is stopped."""

from typing import Any

from django import forms
from django.conf import settings

from competence.forms.keeping import why
from competence.forms.record_form import RecordForm, reason
from competence.inputs.photographs import NotAPhotograph, photograph_jpeg


class PhotographAwayForm(RecordForm):
    why = why("Why it is taken away")


class StopCardForm(RecordForm):
    reason = reason("Why it is stopped")


class PhotographForm(RecordForm):
    photo = forms.FileField(
        label="Photograph",
        help_text="The face from the front, nobody else, in portrait. The place and time that a camera "
        "writes into a picture are taken out.",
        widget=forms.ClearableFileInput(attrs={"accept": "image/*"}),
    )

    def clean_photo(self) -> bytes:
        file = self.cleaned_data["photo"]
        try:
            return photograph_jpeg(file, size=file.size, max_bytes=settings.PHOTOGRAPH_MAX_BYTES)
        except NotAPhotograph as refused:
            raise forms.ValidationError(str(refused)) from refused

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        if "photo" in given:
            given["photograph"] = given.pop("photo")
        return given
