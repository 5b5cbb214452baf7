"""One's own calendar at a secret address, and one's own mail."""

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods

from assessments.actions.calendars import make_calendar_address, remove_calendar_address, sha256_of
from assessments.forms.calendars import OwnMailForm
from assessments.models import CalendarAddress
from assessments.outputs.calendar_feed import calendar_file
from assessments.queries.calendars import calendar_at, calendar_entries
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.people import keep_contact
from competence.views.doing import attempt


@never_cache
@require_http_methods(["GET", "POST"])
def my_calendar(request: HttpRequest) -> HttpResponse:
    """``do`` says what was asked: an address, none, or other mail. A new address is shown in the answer
    itself and nowhere else, so there is no redirect after it: a browser asks before it makes another."""
    account, doing, token = request.user, request.POST.get("do", ""), ""
    first = {"email": account.email, "declines_mail": account.mail_declined_at is not None}
    form = OwnMailForm(request.POST if doing == "mail" else None, initial=first)
    if doing == "make":
        token = make_calendar_address(by=account)
    elif doing == "remove":
        try:
            remove_calendar_address(by=account)
            messages.success(request, "The address is removed. It opens nothing any more.")
        except ActionRefused as refused:
            messages.error(request, refused.sentence)
        return redirect("my-calendar")
    elif doing == "mail" and form.is_valid():
        asked = {"phone": account.phone, **form.cleaned_data}
        if attempt(form, keep_contact, by=account, account=account, **asked):
            messages.success(request, "Your mail is kept so.")
            return redirect("my-calendar")
    address = CalendarAddress.objects.filter(account=account, token_sha256__isnull=False).first()
    url = request.build_absolute_uri(reverse("calendar-feed", args=[token])) if token else ""
    return render(
        request,
        "assessments/calendar/my_calendar.html",
        {
            "form": form,
            "address": address,
            "url": url,
            "webcal_url": "webcal" + url[url.index(":") :] if url else "",
        },
    )


@login_not_required
@never_cache
@require_GET
def calendar_feed(request: HttpRequest, token: str) -> HttpResponse:
    """A calendar program holds no session: who knows the address may read, and nothing else."""
    calendar = calendar_at(sha256_of(token))
    if calendar is None:
        raise Http404
    moment = now()
    entries = calendar_entries(calendar.account, moment)
    return HttpResponse(
        calendar_file(entries, feed=calendar.feed, made_at=moment),
        content_type="text/calendar; charset=utf-8",
        headers={
            "Content-Disposition": 'inline; filename="competence-register.ics"',
            "X-Robots-Tag": "noindex",
        },
    )


urlpatterns: list[URLPattern] = [
    path("calendar/", my_calendar, name="my-calendar"),
    path("calendar/<str:token>.ics", calendar_feed, name="calendar-feed"),
]
