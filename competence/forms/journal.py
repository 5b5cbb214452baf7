"""Forms of the journal: which entries to take out, which checkpoints to compare, which bundle to check."""

from typing import Any

from django import forms

from competence.forms.record_form import RecordForm
from competence.outputs.proof_bundle import MOST_ENTRIES

KEY_DIGITS = 64


class SinceForm(RecordForm):
    """What a bundle of one record asks: all its entries, or those ticked; and how far back it reaches."""

    since = forms.IntegerField(
        label="Since the checkpoint at (optional)",
        required=False,
        min_value=1,
        help_text="How many entries an earlier checkpoint signed. The bundle then also shows that none of "
        "those was altered since.",
    )
    entry = forms.IntegerField(required=False, min_value=1, widget=forms.HiddenInput)


class EntriesForm(RecordForm):
    entries = forms.CharField(
        label="Entries",
        max_length=400,
        help_text="Numbers, with commas between; a dash for a run of them: 12, 40-52.",
    )
    since = SinceForm.base_fields["since"]

    def clean_entries(self) -> list[int]:
        numbers: set[int] = set()
        for part in self.cleaned_data["entries"].replace(";", ",").split(","):
            first, _, last = (one.strip() for one in part.partition("-"))
            last = last or first
            if not (first.isdecimal() and last.isdecimal()) or len(first) > 15 or len(last) > 15:
                raise forms.ValidationError(
                    f"“{part.strip()[:40]}” is neither a number nor a run such as 40-52."
                )
            if int(last) - int(first) >= MOST_ENTRIES:
                raise forms.ValidationError(f"A bundle holds at most {MOST_ENTRIES} entries.")
            numbers.update(range(int(first), int(last) + 1))
        if len(numbers) > MOST_ENTRIES:
            raise forms.ValidationError(f"A bundle holds at most {MOST_ENTRIES} entries.")
        if not numbers:
            raise forms.ValidationError("The second number of a run is the larger one.")
        return sorted(numbers)


class CompareForm(RecordForm):
    older = forms.IntegerField(label="Older checkpoint, entries", min_value=1)
    newer = forms.IntegerField(label="Newer checkpoint, entries", min_value=1)


class CheckBundleForm(RecordForm):
    bundle = forms.FileField(
        label="The bundle",
        help_text="The .zip as it was taken out, or the bundle.json of it. You can also drop it here.",
        widget=forms.ClearableFileInput(attrs={"accept": ".zip,.json"}),
    )
    key = forms.CharField(
        label="Public key (optional)",
        required=False,
        max_length=100,
        help_text="Empty: this register's own. Otherwise the 64 digits as you have them from elsewhere.",
    )
    checkpoint = forms.FileField(
        label="A checkpoint that you kept (optional)",
        required=False,
        help_text="The small file of an earlier day: the bundle must agree with it or reach back to it.",
        widget=forms.ClearableFileInput(attrs={"accept": ".json,.txt"}),
    )

    def clean_key(self) -> bytes | None:
        typed: Any = "".join(self.cleaned_data["key"].split()).lower()
        if not typed:
            return None
        try:
            key = bytes.fromhex(typed)
        except ValueError:
            key = b""
        if len(key) != KEY_DIGITS // 2:
            raise forms.ValidationError("A key has 64 digits, each 0 to 9 or a to f.")
        return key
