"""Who looked back into the record, and who took what out of it."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET

from competence.models import Look
from competence.permissions import Right, may_everywhere, sites_with
from competence.queries.looks import LooksAsked, asked_words, looks_asked, who_looked
from competence.views.doing import asks
from competence.views.lists import choice, paged, span_asked, typed
from competence.views.reading import reads_from_replica


@require_GET
@asks(Right.SEE_LOOKS)
@reads_from_replica
def look_list(request: HttpRequest) -> HttpResponse:
    """Looks at the sites of this account, the newest first."""
    sites = sites_with(request.user, Right.SEE_LOOKS)
    span = span_asked(request)
    asked = LooksAsked(
        words=typed(request, "q"),
        by=typed(request, "by"),
        kind=typed(request, "kind"),
        first_moment=span.first_moment,
        before=span.before,
    )
    page, query = paged(request, looks_asked(asked, sites))
    zone = timezone.get_current_timezone()
    context = {
        "page": page,
        "query": query,
        "rows": [(look, asked_words(look, zone)) for look in page],
        "words": asked.words,
        "is_filtered": asked != LooksAsked(),
        "is_everywhere": may_everywhere(request.user, Right.SEE_LOOKS),
        "selects": [
            choice("by", "Who looked", who_looked(sites), asked.by, "Anybody"),
            choice("kind", "What was done", Look.Kind.choices, asked.kind, "Anything"),
        ],
        "dates": span.choices,
    }
    return render(request, "competence/record/looks.html", context)


urlpatterns: list[URLPattern] = [path("looks/", look_list, name="look-list")]
