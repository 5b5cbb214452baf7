"""Bookings: the list, making them, calling one off; and the parts of the start page that assessing brings."""

from collections.abc import Iterable
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET

from assessments.actions.bookings import book_assessments, call_off_booking
from assessments.forms.bookings import BookingForm, CallOffForm
from assessments.models import Booking
from assessments.queries.bookings import bookings_asked, machines_to_book, operators_at
from assessments.queries.due import own_bookings, trainer_day
from competence.actions.clock import now
from competence.models import Account, Category, Operator, Site
from competence.permissions import Right, may, require, sites_with
from competence.queries.sites import sites_for
from competence.queries.ticket_lists import today_at
from competence.views.doing import asks, attempt
from competence.views.front import Part
from competence.views.lists import category_choice, choice, day_typed, paged, site_choice, typed
from competence.views.pages import form_page

# As many as a page of a list can tick.
MOST_NAMED = 100
WHOSE = (("mine", "Mine"), ("all", "Every assessor's"))


@require_GET
@asks(Right.SEE_ASSESSMENTS)
def booking_list(request: HttpRequest) -> HttpResponse:
    """From today on: an assessor's own first, or everybody's at the account's sites."""
    site_ids = sites_with(request.user, Right.SEE_ASSESSMENTS)
    is_assessor = may(request.user, Right.ASSESS)
    whose = typed(request, "whose", "mine" if is_assessor else "all")
    text, site, category = (typed(request, name) for name in ("q", "site", "category"))
    moment = now()
    found = bookings_asked(
        site_ids,
        moment,
        text=text,
        site=site,
        category=category,
        assessor=request.user if whose == "mine" else None,
    )
    page, query = paged(request, found)
    selects = [
        site_choice(site_ids, site, "Site"),
        category_choice("Category", category),
    ]
    if is_assessor:
        selects.insert(0, choice("whose", "Whose", WHOSE, whose))
    return render(
        request,
        "assessments/bookings/list.html",
        {
            "page": page,
            "query": query,
            "rows": [_row(request.user, booking, moment) for booking in page],
            "q": text,
            "selects": selects,
            "is_mine": whose == "mine",
            "is_filtered": bool(text or site or category),
            "may_book": may(request.user, Right.BOOK),
        },
    )


def _row(account: Account, booking: Booking, moment: object) -> dict:
    is_today = booking.on == today_at(booking.site, moment)
    return {
        "booking": booking,
        "is_today": is_today,
        "may_start": is_today and booking.assessor_id == account.pk and not booking.begun,
        "may_call_off": not booking.begun and may(account, Right.BOOK, site=booking.site),
    }


@asks(Right.BOOK)
def booking_new(request: HttpRequest) -> HttpResponse:
    """One assessor and one day for one person or several; the address may say whom, where and what for."""
    site_ids = sites_with(request.user, Right.BOOK)
    people = operators_asked_for(request)
    site = site_asked(request, site_ids, people[0] if people else None)
    here = [person for person in people if person.site == site]
    category = Category.objects.filter(code=typed(request, "category")).first()
    machines = list(machines_to_book(site_ids, category)[:2]) if category else []
    form = BookingForm(
        request.POST or None,
        operators=operators_at(site.pk) if site else Operator.objects.none(),
        site_ids=site_ids,
        category=category,
        initial={
            # Where the category leaves no choice, it is made.
            "machine": machines[0].pk if len(machines) == 1 else None,
            "operators": [person.pk for person in here],
            "assessor": request.user.pk if may(request.user, Right.ASSESS) else None,
            "on": day_typed(request, "on"),
            "minutes_each": 60,
        },
    )
    if form.is_valid():
        made = attempt(form, book_assessments, by=request.user, **form.cleaned_data)
        if made:
            messages.success(request, _booked_words(made))
            whose = "mine" if made[0].assessor_id == request.user.pk else "all"
            return redirect(reverse("booking-list") + "?" + urlencode({"whose": whose}))
    return render(
        request,
        "assessments/bookings/new.html",
        {
            "form": form,
            "site": site,
            "elsewhere": [person for person in people if person.site != site],
            "selects": [
                choice("site", "Site", sites_to_choose(site_ids), site.code if site else ""),
                category_choice("Category", category.code if category else ""),
            ],
        },
    )


def operators_asked_for(request: HttpRequest) -> list[Operator]:
    """Those whom the address names, in the order in which it does, each a person whom the account may book.
    One statement."""
    numbers = [number.replace("\x00", "") for number in request.GET.getlist("operator")][:MOST_NAMED]
    found = {person.number: person for person in Operator.objects.with_state().filter(number__in=numbers)}
    people = [found[number] for number in dict.fromkeys(numbers) if number in found]
    for person in people:
        require(request.user, Right.BOOK, site=person.site)
    return people


def sites_to_choose(site_ids: frozenset[int] | None) -> Iterable[tuple[str, str]]:
    return sites_for(site_ids).values_list("code", "name")


def site_asked(request: HttpRequest, site_ids: frozenset[int] | None, person: Operator | None) -> Site | None:
    """The site whose people a page lists: the named person's, the one in the address, else the first."""
    sites = list(sites_for(site_ids))
    asked = person.site.code if person else typed(request, "site")
    return next((site for site in sites if site.code == asked), sites[0] if sites else None)


def _booked_words(bookings: list[Booking]) -> str:
    who = ", ".join(
        booking.operator.name + (f" at {booking.starts_at:%H:%M}" if booking.starts_at else "")
        for booking in bookings
    )
    first = bookings[0]
    return f"Booked for {first.on.day} {first.on:%B} on {first.machine.fleet_number}: {who}."


@asks(Right.BOOK)
def booking_call_off(request: HttpRequest, pk: int) -> HttpResponse:
    bookings = Booking.objects.select_related("site", "machine", "operator", "assessor")
    booking = get_object_or_404(bookings, pk=pk)
    require(request.user, Right.BOOK, site=booking.site)
    form = CallOffForm(request.POST or None)
    if form.is_valid() and attempt(
        form, call_off_booking, by=request.user, booking=booking, **form.cleaned_data
    ):
        messages.success(request, f"The booking of {booking.operator.name} is called off.")
        return redirect("booking-list")
    at = f" at {booking.starts_at:%H:%M}" if booking.starts_at else ""
    return form_page(
        request,
        form,
        title="Call off a booking",
        overline=f"{booking.operator}, {booking.machine.fleet_number}, {booking.site.name}",
        lead=f"Booked for {booking.on.day} {booking.on:%B %Y}{at} with {booking.assessor.name}.",
        consequence="It leaves the assessor's and the operator's start pages, and is kept with the reason. "
        "To move it to another day, call it off and book anew.",
        submit="Call it off",
        back_url=reverse("booking-list"),
        back_label="the bookings",
    )


def start_parts(request: HttpRequest) -> Iterable[Part]:
    """What assessing puts on the start page: the operator's bookings, the trainer's day, or the ways in."""
    account, moment = request.user, now()
    if account.operator is not None and (own := own_bookings(account.operator, moment)):
        yield Part("assessments/bookings/home_operator.html", own, is_for_phone=True)
    if may(account, Right.ASSESS):
        day = trainer_day(account, sites_with(account, Right.ASSESS), moment)
        yield Part("assessments/bookings/home_trainer.html", day)
    elif may(account, Right.BOOK):
        yield Part("assessments/bookings/home_ways.html", None)


urlpatterns: list[URLPattern] = [
    path("bookings/", booking_list, name="booking-list"),
    path("bookings/new/", booking_new, name="booking-new"),
    path("bookings/<int:pk>/call-off/", booking_call_off, name="booking-call-off"),
]
