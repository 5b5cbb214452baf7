"""How severe each assessor is, for who answers for all of them."""

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from assessments.queries.severity import severities
from assessments.rules.severity import FEW_MARKS, SPOKEN_SCORE, AssessorSeverity
from competence.permissions import Right, require_everywhere
from competence.views.doing import asks
from competence.views.reading import reads_from_replica

# The scale runs in tens, and shows at least this much on both sides of the others' score.
STEP, LEAST_SIDE = 10, 20


@dataclass(frozen=True)
class Bar:
    """One assessor on the chart. Places are percents of its width, as the drawing wants them written."""

    severity: AssessorSeverity
    score: int
    worst: int
    best: int
    at: str
    start: str
    width: str

    @property
    def tone(self) -> str:
        if self.severity.cannot_tell:
            return "unknown"
        return "harsh" if self.severity.is_harsh else "lenient" if self.severity.is_lenient else "alike"

    @property
    def is_told(self) -> bool:
        """Whether the figure may be read; else only how wide the interval is."""
        return not self.severity.cannot_tell

    @property
    def word(self) -> str:
        words = {
            "unknown": "Cannot tell yet",
            "harsh": "Harder",
            "lenient": "Easier",
            "alike": "As the others",
        }
        return words[self.tone]

    @property
    def state_tone(self) -> str:
        return {"unknown": "quiet", "alike": "good"}.get(self.tone, "warn")


@dataclass(frozen=True)
class Chart:
    """What each assessor gives where the others give ``SPOKEN_SCORE``; harsh stands on the left."""

    bars: tuple[Bar, ...]
    ticks: tuple[tuple[int, str], ...]
    others_at: str


def chart_of(found: tuple[AssessorSeverity, ...]) -> Chart:
    """Lay out those who can be compared, on a scale wide enough for every interval."""
    scored = [(each, *each.scores) for each in found if each.scores is not None]
    lowest = min([SPOKEN_SCORE - LEAST_SIDE, *(worst for _, _, worst, _ in scored)]) // STEP * STEP
    highest = -(-max([SPOKEN_SCORE + LEAST_SIDE, *(best for *_, best in scored)]) // STEP) * STEP
    apart = STEP if highest - lowest <= 5 * STEP else 2 * STEP

    def place(score: float) -> float:
        return 100 * (score - lowest) / (highest - lowest)

    return Chart(
        tuple(
            Bar(
                each,
                score,
                worst,
                best,
                at=_percent(place(score)),
                start=_percent(place(worst)),
                width=_percent(place(best) - place(worst)),
            )
            for each, score, worst, best in scored
        ),
        tuple(
            (score, _percent(place(score)))
            for score in range(SPOKEN_SCORE % apart, highest + 1, apart)
            if score >= lowest
        ),
        _percent(place(SPOKEN_SCORE)),
    )


def _percent(share: float) -> str:
    return f"{share:.2f}%"


@require_GET
@asks(Right.SEE_SEVERITY)
@reads_from_replica
def severity(request: HttpRequest) -> HttpResponse:
    """Assessors from harsh to lenient. Marks of every site are behind it, so it takes a role for all."""
    require_everywhere(request.user, Right.SEE_SEVERITY)
    found = severities()
    return render(
        request,
        "assessments/severity/severity.html",
        {
            "found": found,
            "marks_written": f"{found.marks:,}",
            "chart": chart_of(found.compared),
            "spoken": SPOKEN_SCORE,
            "few": FEW_MARKS,
        },
    )


urlpatterns: list[URLPattern] = [path("severity/", severity, name="severity")]
