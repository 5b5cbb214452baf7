"""Publishing a paper, and a panel's rating of its questions."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms

from assessments.actions.papers import PaperLine
from assessments.models import Panel, PanelQuestion, PaperVersion, Topic
from competence.forms.record_form import RecordForm, day
from competence.models import Category


@dataclass(frozen=True)
class TopicRow:
    """One line of the table: a topic, how many the bank has, and the two numbers to give."""

    topic: Topic
    held: int
    questions: forms.BoundField
    must_be_right: forms.BoundField


class PaperForm(RecordForm):
    in_force_from = day("In force from", help_text="Today or later, and after the version before it.")
    minutes = forms.IntegerField(label="Time allowed, minutes", min_value=1, max_value=600)
    attempts = forms.IntegerField(label="Attempts before a trainer is asked", min_value=1, max_value=20)
    wait_days = forms.IntegerField(label="Whole days between attempts", min_value=0, max_value=365)
    panel = forms.ModelChoiceField(
        label="Panel behind the cut", required=False, queryset=Panel.objects.none(), empty_label="None"
    )
    cut = forms.IntegerField(
        label="Right answers needed",
        required=False,
        min_value=1,
        max_value=500,
        help_text="With a panel, leave this empty to take what the panel comes to.",
    )
    cut_why = forms.CharField(
        label="Why this cut",
        required=False,
        max_length=300,
        help_text="Where no panel set it, or it is another than the panel’s.",
    )
    note = forms.CharField(
        label="Note", required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(
        self, *args: Any, category: Category, topics: Iterable[Topic], held: Mapping[int, int], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.topics, self.held = list(topics), held
        panels = Panel.objects.filter(category=category, closed_at__isnull=False).order_by("-closed_at")
        self.fields["panel"].queryset = panels
        self.fields["panel"].label_from_instance = lambda panel: f"Closed {panel.closed_at:%d %B %Y}"
        for topic in self.topics:
            for name, label in (("questions", "questions"), ("must", "must be right")):
                self.fields[f"{name}-{topic.code}"] = forms.IntegerField(
                    label=f"{topic.name}: {label}",
                    required=False,
                    min_value=0,
                    max_value=100,
                    widget=forms.NumberInput(attrs={"inputmode": "numeric", "class": "form-control"}),
                )

    @property
    def terms_fields(self) -> list[forms.BoundField]:
        return [field for field in self if "-" not in field.name]

    @property
    def rows(self) -> list[TopicRow]:
        return [
            TopicRow(
                topic,
                self.held.get(topic.pk, 0),
                self[f"questions-{topic.code}"],
                self[f"must-{topic.code}"],
            )
            for topic in self.topics
        ]

    def clean(self) -> dict[str, Any]:
        """Each topic that the bank cannot meet is named at its number."""
        cleaned = super().clean()
        for topic in self.topics:
            asked = cleaned.get(f"questions-{topic.code}") or 0
            must = cleaned.get(f"must-{topic.code}") or 0
            held = self.held.get(topic.pk, 0)
            if asked > held:
                self.add_error(
                    f"questions-{topic.code}", f"{asked - held} short: {asked} asked, {held} in use."
                )
            if must > asked:
                self.add_error(f"must-{topic.code}", f"Of {asked} asked, no more than {asked} can be right.")
        return cleaned

    @property
    def lines(self) -> list[PaperLine]:
        return [
            PaperLine(topic, asked, self.cleaned_data.get(f"must-{topic.code}") or 0)
            for topic in self.topics
            if (asked := self.cleaned_data.get(f"questions-{topic.code}"))
        ]

    @property
    def terms(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if "-" not in name}


def paper_initial(latest: PaperVersion | None) -> dict[str, Any]:
    """What the form starts from: the version before, or what is common practice."""
    if latest is None:
        return {"minutes": 40, "attempts": 3, "wait_days": 1}
    initial = {name: getattr(latest, name) for name in ("minutes", "attempts", "wait_days", "cut", "cut_why")}
    for line in latest.lines.all():
        initial[f"questions-{line.topic.code}"] = line.questions
        initial[f"must-{line.topic.code}"] = line.must_be_right or None
    return initial | {"panel": latest.panel_id}


class PanelForm(RecordForm):
    topics = forms.ModelMultipleChoiceField(
        label="Topics to rate",
        queryset=Topic.objects.order_by("name"),
        widget=forms.CheckboxSelectMultiple,
        help_text="Those of the paper that the cut is for.",
    )
    of_each = forms.IntegerField(
        label="Questions of each, at most",
        min_value=1,
        max_value=20,
        initial=3,
        help_text="Chosen by chance among those in use.",
    )
    note = forms.CharField(label="Note", required=False, max_length=300)

    def __init__(self, *args: Any, asked: Iterable[int] = (), **kwargs: Any) -> None:
        """``asked``: keys of the paper's topics; without a paper, all of them."""
        super().__init__(*args, **kwargs)
        if keys := list(asked):
            self.fields["topics"].queryset = Topic.objects.filter(pk__in=keys).order_by("name")


class RatingForm(RecordForm):
    """One box for each question: the percentage of barely competent operators who would get it right."""

    def __init__(self, *args: Any, questions: Iterable[PanelQuestion], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for number, row in enumerate(questions, start=1):
            self.fields[f"rating-{row.pk}"] = forms.IntegerField(
                label=f"Question {number}",
                required=False,
                min_value=0,
                max_value=100,
                widget=forms.NumberInput(attrs={"inputmode": "numeric", "class": "form-control"}),
            )

    @property
    def ratings(self) -> dict[int, Decimal]:
        """What was given, as shares by the key of the panel's question; an empty box gives nothing."""
        return {
            int(name.removeprefix("rating-")): Decimal(value) / 100
            for name, value in self.cleaned_data.items()
            if value is not None
        }
