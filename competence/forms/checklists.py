"""Publishing a new version of a checklist: one plain row for each point, order rule and addition."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.utils.text import slugify

from competence.actions.checklists import Pair, WordedLine, comes_back, zone_that_comes_back
from competence.forms.record_form import RecordForm, day
from competence.models import ChecklistVersion, Feature, ListedPoint, Point, Precedence

WORDING = ("title", "method", "good", "caution", "is_critical", "stop_use_when", "weight", "topic")
FROM_LIBRARY, NEW_POINTS, NEW_PAIRS = 4, 2, 3


class ChecklistTermsForm(RecordForm):
    in_force_from = day("In force from", help_text="Today or later, and after the version before it.")
    sources = forms.CharField(
        label="Sources",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="One to a line: the law, standard or guidance that the list rests on.",
    )

    @property
    def source_lines(self) -> list[str]:
        return [line.strip() for line in self.cleaned_data["sources"].splitlines() if line.strip()]


class _Row(RecordForm):
    heading = ""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, use_required_attribute=False, **kwargs)

    def has_changed(self) -> bool:
        """Whether anything was filled in; a list to choose from always sends its first line."""
        return bool(set(self.changed_data) - {"weight", "is_safety"})


class _Placed(_Row):
    """A point's place: where it comes in the walk, and the zone that it stands in."""

    position = forms.DecimalField(label="Place", min_value=0, max_value=999, max_digits=5, decimal_places=1)
    zone = forms.CharField(label="Zone", max_length=80, widget=forms.TextInput(attrs={"list": "zones"}))


def _text(label: str, *, required: bool = True) -> forms.CharField:
    return forms.CharField(
        label=label, required=required, max_length=2000, widget=forms.Textarea(attrs={"rows": 2})
    )


class _Worded(_Placed):
    title = forms.CharField(label="Title", max_length=80)
    method = _text("How")
    good = _text("What good looks like")
    caution = _text("Caution", required=False)
    is_critical = forms.BooleanField(label="Critical: a defect here stops use", required=False)
    stop_use_when = _text("Stop use when", required=False)
    weight = forms.TypedChoiceField(
        label="Weight in a practical assessment",
        choices=[(n, str(n)) for n in (1, 2, 3)],
        coerce=int,
        initial=1,
    )


class ListedForm(_Worded):
    """A point of the version before: kept in its place, moved, reworded or dropped."""

    is_kept = forms.BooleanField(label="On the list", required=False, initial=True)

    def __init__(self, *args: Any, listed: ListedPoint, **kwargs: Any) -> None:
        point = listed.point
        initial = {name: getattr(point, name) for name in WORDING if name != "topic"}
        initial |= {"position": listed.position, "zone": listed.zone_name, "is_kept": True}
        super().__init__(*args, initial=initial, **kwargs)
        self.listed = listed
        self.heading = f"{listed.position}. {point.title}"

    @property
    def wording(self) -> dict[str, Any]:
        """The wording as it now stands. What differs only in how a browser sends lines is not reworded."""
        old = {name: getattr(self.listed.point, name) for name in WORDING}
        typed = {name: self.cleaned_data.get(name, old[name]) for name in WORDING}
        return {name: old[name] if _plain(old[name]) == _plain(typed[name]) else typed[name] for name in old}


class LibraryForm(_Placed):
    """A point of the library that is not on the list yet; left empty, nothing is added."""

    point = forms.ModelChoiceField(label="Point", queryset=Point.objects.none())
    field_order = ["point", "position", "zone"]
    heading = "From the library"


class NewPointForm(_Worded):
    """A point that nobody has written yet; left empty, nothing is added."""

    topic = forms.CharField(
        label="Topic", max_length=40, help_text="What questions about it are filed under, such as brakes."
    )
    feature = forms.ModelChoiceField(
        label="Only where this is fitted", required=False, queryset=Feature.objects.order_by("name")
    )
    field_order = ["title", "position", "zone"]
    heading = "New point"

    def clean_title(self) -> str:
        title = self.cleaned_data["title"]
        if not slugify(title):
            raise forms.ValidationError("Use at least one letter or digit.")
        if Point.objects.filter(code=slugify(title)[:60]).exists():
            raise forms.ValidationError("The library has a point of this name: add that, or name this apart.")
        return title


class PairForm(_Row):
    """A new order rule between two points of the version before."""

    earlier = forms.ChoiceField(label="First")
    later = forms.ChoiceField(label="Then")
    is_safety = forms.TypedChoiceField(
        label="Why it matters",
        choices=[("yes", "Safety: breaking it fails an assessment"), ("no", "Good practice")],
        coerce=lambda value: value == "yes",
        initial="yes",
    )
    why = forms.CharField(label="In words", max_length=300)
    heading = "New order rule"

    def __init__(self, *args: Any, points: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("earlier", "later"):
            self.fields[name].choices = [("", "Choose a point"), *points]


class KeptPairForm(_Row):
    is_kept = forms.BooleanField(label="Keep this order rule", required=False, initial=True)

    def __init__(self, *args: Any, pair: Precedence, **kwargs: Any) -> None:
        super().__init__(*args, initial={"is_kept": True}, **kwargs)
        self.pair = pair
        self.heading = f"{pair.earlier.point.title} before {pair.later.point.title}"
        self.fields["is_kept"].label = self.heading


@dataclass
class ChecklistForms:
    """Everything on the page that asks for a new version."""

    terms: ChecklistTermsForm
    listed: list[ListedForm]
    library: list[LibraryForm]
    new_points: list[NewPointForm]
    kept_pairs: list[KeptPairForm]
    new_pairs: list[PairForm]

    @classmethod
    def of(
        cls,
        posted: Any,
        latest: ChecklistVersion | None,
        listed: Sequence[ListedPoint],
        pairs: Iterable[Precedence],
        library: Any,
    ) -> "ChecklistForms":
        terms = ChecklistTermsForm(posted, initial={"sources": "\n".join(latest.sources if latest else [])})
        codes = [row.point.code for row in listed]
        blank = {"data": posted, "empty_permitted": True}
        adding = [LibraryForm(prefix=f"library-{n}", **blank) for n in range(FROM_LIBRARY)]
        for form in adding:
            form.fields["point"].queryset = library.exclude(code__in=codes)
        titles = [(row.point.code, f"{row.position}. {row.point.title}") for row in listed]
        return cls(
            terms,
            [ListedForm(posted, listed=row, prefix=f"listed-{row.pk}") for row in listed],
            adding,
            [NewPointForm(prefix=f"new-{n}", **blank) for n in range(NEW_POINTS)],
            [KeptPairForm(posted, pair=pair, prefix=f"pair-{pair.pk}") for pair in pairs],
            [PairForm(points=titles, prefix=f"new-pair-{n}", **blank) for n in range(NEW_PAIRS)],
        )

    @property
    def rows(self) -> list[_Row]:
        return [*self.listed, *self.library, *self.new_points, *self.kept_pairs, *self.new_pairs]

    @property
    def total_error_count(self) -> int:
        return sum(len(row.errors) for row in self.rows)

    def __iter__(self) -> Any:
        return iter(self.rows)

    def is_valid(self) -> bool:
        """Every form is asked, so that one page of errors tells everything; a dropped point may say
        anything."""
        answers = [self.terms.is_valid()]
        for row in self.rows:
            if isinstance(row, ListedForm) and not row.data.get(row.add_prefix("is_kept")):
                row.errors.clear()
                row.cleaned_data = {"is_kept": False}
            else:
                answers.append(row.is_valid())
        return all(answers) and self._walks_zone_by_zone()

    def _walks_zone_by_zone(self) -> bool:
        """Whether no zone is walked to again after another; the point that goes back is told so."""
        placed = self._placed
        for count in range(2, len(placed) + 1):
            if zone_that_comes_back([line.zone_code for line, _ in placed[:count]]):
                line, row = placed[count - 1]
                row.add_error("zone", comes_back(line.zone_name))
                return False
        return True

    @property
    def lines(self) -> list[WordedLine]:
        return [line for line, _ in self._placed]

    @property
    def _placed(self) -> list[tuple[WordedLine, _Placed]]:
        """The points in walking order: by place, and where two have the same, the one listed before first."""
        zones = {row.listed.zone_name: row.listed.zone_code for row in self.listed}
        placed: list[tuple[Decimal, WordedLine, _Placed]] = []
        for row in self.listed:
            if row.cleaned_data["is_kept"]:
                point = row.listed.point
                placed.append(_line(row, zones, point.code, point.feature, row.wording))
        for row in filter(_Row.has_changed, self.library):
            point = row.cleaned_data["point"]
            wording = {name: getattr(point, name) for name in WORDING}
            placed.append(_line(row, zones, point.code, point.feature, wording))
        for row in filter(_Row.has_changed, self.new_points):
            wording = {name: row.cleaned_data[name] for name in WORDING}
            code = slugify(row.cleaned_data["title"])[:60].strip("-")
            placed.append(_line(row, zones, code, row.cleaned_data["feature"], wording))
        return [(line, row) for _, line, row in sorted(placed, key=lambda one: one[0])]

    @property
    def pairs(self) -> list[Pair]:
        """The order rules kept and added. A rule about a point that is dropped goes with it."""
        listed = {line.code for line in self.lines}
        kept = [
            Pair(row.pair.earlier.point.code, row.pair.later.point.code, row.pair.is_safety, row.pair.why)
            for row in self.kept_pairs
            if row.cleaned_data["is_kept"]
        ]
        new = [Pair(**row.cleaned_data) for row in filter(_Row.has_changed, self.new_pairs)]
        return [one for one in kept if {one.earlier, one.later} <= listed] + new


def _plain(value: Any) -> Any:
    return value.replace("\r\n", "\n").strip() if isinstance(value, str) else value


def _line(
    row: _Placed, zones: dict[str, str], code: str, feature: Feature | None, wording: dict[str, Any]
) -> tuple[Decimal, WordedLine, _Placed]:
    name = row.cleaned_data["zone"]
    zone_code = zones.get(name) or slugify(name)[:40].strip("-") or "zone"
    return row.cleaned_data["position"], WordedLine(code, feature, wording, zone_code, name), row
