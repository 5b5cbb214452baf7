"""Writing a question: one form for every kind, of which the chosen kind takes what it needs."""

import re
from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.text import slugify

from assessments.models import QuestionVersion, Topic
from assessments.rules.pictures import KINDS
from assessments.rules.questions import CHOICES, Kind, UnreadableAnswer, number_typed
from competence.forms.record_form import RecordForm, reason
from competence.models import Category


def _text(label: str, *, rows: int = 2, required: bool = True, help_text: str = "") -> forms.CharField:
    return forms.CharField(
        label=label,
        required=required,
        max_length=4000,
        help_text=help_text,
        widget=forms.Textarea(attrs={"rows": rows}),
    )


class QuestionForm(RecordForm):
    topic = forms.ModelChoiceField(label="Topic", queryset=Topic.objects.order_by("name"))
    code = forms.CharField(
        label="Short name",
        max_length=40,
        help_text="A few words that tell it apart in its topic, such as prop before greasing. It stays.",
    )
    kind = forms.ChoiceField(
        label="How it is answered", choices=QuestionVersion.Kind.choices, widget=forms.RadioSelect
    )
    categories = forms.MultipleChoiceField(
        label="Asked of",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Nothing ticked: of everybody, whatever the category.",
    )
    is_critical = forms.BooleanField(label="Critical: getting it wrong can kill", required=False)
    scenario = _text("The situation", rows=3, help_text="One to three sentences: where, when, what is seen.")
    ask = forms.CharField(label="The question", max_length=300)
    # The rows of choices are forms of their own; what is wrong with them together is said here.
    choices = forms.CharField(label="Choices", required=False, widget=forms.HiddenInput)
    steps = _text(
        "Steps", rows=6, required=False, help_text="One to a line, in the right order; people see them mixed."
    )
    answer = forms.CharField(label="The right number", max_length=40, required=False)
    tolerance = forms.CharField(
        label="Right within",
        max_length=40,
        required=False,
        help_text="Empty: only the number itself is right.",
    )
    unit = forms.CharField(label="Unit", max_length=20, required=False, help_text="Such as bar, hours or %.")
    picture = forms.ChoiceField(label="Drawn picture", required=False)
    picture_fixed = _text(
        "Held fixed",
        rows=4,
        required=False,
        help_text="One to a line, such as level = 20. All else differs each time that the question is drawn.",
    )
    explanation = _text(
        "Explanation", rows=3, help_text="What is right and why, and what could have happened."
    )
    source = forms.CharField(
        label="Where the answer comes from",
        max_length=200,
        help_text="A law, a standard, guidance, or “common practice”. The machine’s own manual comes first.",
    )

    def __init__(self, *args: Any, is_new: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["categories"].choices = list(
            Category.objects.order_by("name").values_list("code", "name")
        )
        self.fields["picture"].choices = [("", "None"), *((code, kind.name) for code, kind in KINDS.items())]
        if not is_new:
            del self.fields["topic"], self.fields["code"]

    def clean_code(self) -> str:
        name = slugify(self.cleaned_data["code"])
        if not name:
            raise forms.ValidationError("Use at least one letter or digit.")
        topic = self.cleaned_data.get("topic")
        beginning = f"{topic.code}-" if topic else ""
        return (beginning + name.removeprefix(beginning))[:60].strip("-")

    def clean_answer(self) -> str:
        return self._number("answer") if self.data.get("kind") == Kind.NUMBER else ""

    def clean_tolerance(self) -> str:
        return (self._number("tolerance") or "0") if self.data.get("kind") == Kind.NUMBER else "0"

    def _number(self, name: str) -> str:
        typed = self.cleaned_data[name]
        if not typed:
            if name == "answer":
                raise forms.ValidationError("Give the right number.")
            return ""
        try:
            return format(number_typed(typed, ""), "f")
        except UnreadableAnswer as problem:
            raise forms.ValidationError(str(problem)) from problem

    def clean_picture_fixed(self) -> dict[str, Any]:
        fixed = {}
        for line in self.cleaned_data["picture_fixed"].splitlines():
            if line.strip():
                name, is_told, value = line.partition("=")
                if not is_told or not name.strip() or not value.strip():
                    raise forms.ValidationError(
                        f"“{line.strip()}” is not a name, an equals sign and a value."
                    )
                fixed[name.strip()] = plain_value(value.strip())
        return fixed

    def wording(self, choices: list[dict[str, Any]]) -> dict[str, Any]:
        """The wording as the action takes it: of the content only what the chosen kind asks for."""
        typed = self.cleaned_data
        contents = {
            Kind.ORDER: {"steps": [line.strip() for line in typed["steps"].splitlines() if line.strip()]},
            Kind.NUMBER: {"answer": typed["answer"], "tolerance": typed["tolerance"], "unit": typed["unit"]},
            Kind.PICTURE: {},
        }
        names = ("kind", "categories", "is_critical", "scenario", "ask", "picture", "explanation", "source")
        wording = {name: typed[name] for name in names}
        wording["scenario"] = typed["scenario"].replace("\r\n", "\n")
        wording["explanation"] = typed["explanation"].replace("\r\n", "\n")
        wording["picture_fixed"] = typed["picture_fixed"]
        wording["content"] = contents.get(Kind(typed["kind"]), {"choices": choices})
        return wording


def plain_value(text: str) -> Any:
    """A value that somebody typed: a whole number, a claim, a row of whole numbers, or else words."""
    if text.lower() in ("true", "false", "yes", "no"):
        return text.lower() in ("true", "yes")
    if re.fullmatch(r"-?[0-9]{1,9}", text):
        return int(text)
    if re.fullmatch(r"-?[0-9]{1,9}(\s*,\s*-?[0-9]{1,9})+", text):
        return [int(one) for one in text.split(",")]
    return text


def as_lines(fixed: Mapping[str, Any]) -> str:
    """What is held fixed, as it is typed."""
    return "\n".join(f"{name} = {_as_typed(value)}" for name, value in fixed.items())


def _as_typed(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return ", ".join(str(one) for one in value) if isinstance(value, list | tuple) else str(value)


class ChoiceForm(RecordForm):
    """One choice; a row without words is none."""

    text = forms.CharField(label="Choice", max_length=300, required=False)
    right = forms.BooleanField(label="Right", required=False)
    why = forms.CharField(label="Why, in the review", max_length=300, required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if not cleaned.get("text") and (cleaned.get("right") or cleaned.get("why")):
            self.add_error("text", "Say what the choice is.")
        return cleaned


class _Choices(forms.BaseFormSet):
    @property
    def lines(self) -> list[dict[str, Any]]:
        return [dict(form.cleaned_data) for form in self.forms if form.cleaned_data.get("text")]


_Formset = forms.formset_factory(ChoiceForm, formset=_Choices, extra=0)
ROWS = CHOICES.stop - 1


def choice_forms(posted: Any, choices: list[dict[str, Any]]) -> _Choices:
    """As many rows as a question may have choices, filled in from these."""
    initial = (choices + [{}] * ROWS)[: max(ROWS, len(choices))]
    if posted is not None:
        # The number of rows is ours, whatever is sent.
        posted = posted.copy()
        posted["choices-TOTAL_FORMS"] = posted["choices-INITIAL_FORMS"] = str(len(initial))
    return _Formset(posted, initial=initial, prefix="choices")


def initial_of(version: QuestionVersion | None) -> dict[str, Any]:
    """What the form shows of a version to start the next one from."""
    if version is None:
        return {"kind": Kind.ONE}
    names = ("kind", "categories", "is_critical", "scenario", "ask", "picture", "explanation", "source")
    content = version.content
    return {
        **{name: getattr(version, name) for name in names},
        "steps": "\n".join(content.get("steps", [])),
        "picture_fixed": as_lines(version.picture_fixed),
        **{name: content.get(name, "") for name in ("answer", "tolerance", "unit")},
    }


class ReviewForm(RecordForm):
    remark = forms.CharField(
        label="Remark", max_length=300, required=False, help_text="Optional; kept with the review."
    )


class RetireForm(RecordForm):
    reason = reason("Why it is no longer to be asked")
