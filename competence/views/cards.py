"""Ticket cards: whose is missing, printing them, one's own on a phone, and the photograph on them."""

from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.utils.http import urlencode
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from competence.actions.cards import issue_cards, keep_photograph, stop_card
from competence.actions.clock import now
from competence.actions.erasures import take_photograph_away
from competence.actions.errors import ActionRefused
from competence.forms.cards import PhotographAwayForm, PhotographForm, StopCardForm
from competence.models import Card, Employer, Operator, OperatorPhotograph
from competence.outputs.cards import cards_pdf, code_as_svg, ticket_words
from competence.permissions import NotAllowed, Right, require, sites_with
from competence.queries.cards import (
    STATE_CHOICES,
    CardsAsked,
    card_rows,
    holders,
    latest_photograph,
    own_row,
    wanted_rows,
    with_content,
)
from competence.queries.signing import leads_nowhere, statement_address
from competence.queries.ticket_lists import names
from competence.views.doing import asks, attempt
from competence.views.lists import choice, paged, site_choice, typed
from competence.views.pages import clock_of, form_page, operator_or_404

# What one press prints at most: 25 sheets.
MOST_AT_ONCE = 200


@require_GET
@asks(Right.PRINT_CARD)
def card_list(request: HttpRequest) -> HttpResponse:
    site_ids, moment = sites_with(request.user, Right.PRINT_CARD), now()
    state, employer = typed(request, "state"), typed(request, "employer")
    asked = CardsAsked(
        text=typed(request, "q"),
        site=typed(request, "site"),
        employer=employer if employer.isdecimal() and len(employer) < 10 else "",
        state=state if state in dict(STATE_CHOICES) else "",
    )
    if asked.state in ("old", "wanted"):
        page, query = paged(request, wanted_rows(asked, site_ids, moment))
        rows = list(page)
    else:
        page, query = paged(request, holders(asked, site_ids, moment))
        rows = card_rows(list(page), moment)
    employers = Employer.objects.order_by("name").values_list("pk", "name")
    context = {
        "page": page,
        "query": query,
        "rows": rows,
        "leads_nowhere": leads_nowhere(),
        "q": asked.text,
        "is_filtered": asked != CardsAsked(),
        "selects": [
            choice("state", "Card", STATE_CHOICES, asked.state, "Any"),
            site_choice(site_ids, asked.site),
            choice("employer", "Employer", employers, asked.employer, "Any employer"),
        ],
    }
    return render(request, "competence/cards/list.html", context)


@require_POST
@asks(Right.PRINT_CARD)
def card_issue(request: HttpRequest) -> HttpResponse:
    """Issue what is missing or out of date among the people ticked; a card that is right is printed again as
    it is. Printing comes after, so that a page loaded twice issues nothing twice."""
    numbers = request.POST.getlist("operator")[: MOST_AT_ONCE + 1]
    if len(numbers) > MOST_AT_ONCE:
        messages.error(request, f"At most {MOST_AT_ONCE} cards are printed at once; tick fewer.")
        return redirect("card-list")
    people = list(Operator.objects.with_state().filter(number__in=numbers).order_by("number"))
    for person in people:
        require(request.user, Right.PRINT_CARD, site=person.site)
    moment = now()
    listed = holders(CardsAsked(), sites_with(request.user, Right.PRINT_CARD), moment)
    rows = card_rows(list(listed.filter(pk__in=[one.pk for one in people])), moment)
    right = {row.operator.pk: row.card for row in rows if row.card and not row.why}
    try:
        fresh = [one for one in people if one.pk not in right]
        issued = issue_cards(by=request.user, operators=fresh) if fresh or not right else []
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
        return redirect("card-list")
    if issued:
        messages.success(request, f"{len(issued)} card{'s' if len(issued) > 1 else ''} issued.")
    cards = sorted([*issued, *right.values()], key=lambda card: card.name.split(" ")[-1])
    return redirect(f"{reverse('card-print')}?{urlencode([('card', card.number) for card in cards])}")


def _asked_cards(request: HttpRequest) -> list[Card]:
    """The cards that the address names, in its order: each one's own, or at a site where the account prints
    cards."""
    wanted = list(dict.fromkeys(request.GET.getlist("card")))[:MOST_AT_ONCE]
    found = {card.number: card for card in with_content(Card.objects.filter(number__in=wanted))}
    cards = [found[number] for number in wanted if number in found]
    # What was stopped is not put on paper again; its holder gets a new card.
    cards = [card for card in cards if not card.is_erased and not hasattr(card, "stop")]
    if not cards:
        raise Http404("No such card, or it was stopped.")
    for card in cards:
        if request.user.operator_id != card.operator_id:
            require(request.user, Right.PRINT_CARD, site=card.operator.site)
    return cards


@require_GET
@asks(Right.PRINT_CARD)
def card_print(request: HttpRequest) -> HttpResponse:
    """What was asked for, and the two ways of printing it."""
    cards = _asked_cards(request)
    query = urlencode([("card", card.number) for card in cards])
    return render(request, "competence/cards/print.html", {"cards": cards, "query": query})


@asks(Right.PRINT_CARD)
def card_stop(request: HttpRequest, number: str) -> HttpResponse:
    """Stop a card that was lost or stolen."""
    card = get_object_or_404(Card.objects.select_related("operator__state__site"), number=number)
    require(request.user, Right.PRINT_CARD, site=card.operator.site)
    form = StopCardForm(request.POST or None)
    back = f"{reverse('card-list')}?{urlencode({'q': card.operator.number})}"
    if form.is_valid() and attempt(form, stop_card, by=request.user, card=card, **form.cleaned_data):
        messages.success(request, f"Card {card.number} is stopped. Print a new one below.")
        return redirect(back)
    return form_page(
        request,
        form,
        title="Stop this card",
        overline=f"Card {card.number}",
        lead=f"For a card of {card.operator.name} that was lost or stolen. Their tickets are not touched.",
        consequence="Within a minute whoever checks its code with a signal is told that it was stopped. It "
        "stays stopped, even when it is found again.",
        submit="Stop this card",
        back_url=back,
        back_label="Ticket cards",
    )


@never_cache
@require_GET
def card_pdf(request: HttpRequest) -> HttpResponse:
    """The cards as a PDF: eight to a sheet, or with ``single`` one face to a page."""
    cards = _asked_cards(request)
    made = cards_pdf(cards, is_single=typed(request, "single") == "yes", named=names(), printed_at=now())
    response = HttpResponse(made, content_type="application/pdf")
    called = f"card-{cards[0].number}" if len(cards) == 1 else "cards"
    response["Content-Disposition"] = f'inline; filename="{called}.pdf"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@never_cache
def my_card(request: HttpRequest) -> HttpResponse:
    """An operator's own card on their own phone; a POST issues one of what the register says now."""
    operator = request.user.operator
    if operator is None:
        raise NotAllowed("This account is not an operator's, so it has no card.")
    problem = ""
    if request.method == "POST":
        try:
            issue_cards(by=request.user, operators=[operator])
            return redirect("my-card")
        except ActionRefused as refused:
            problem = refused.sentence
    row, named = own_row(operator, now()), names()
    with clock_of(operator.site):
        context = {
            "operator": operator,
            "row": row,
            "problem": problem,
            "tickets": ticket_words(row.card, named) if row.card else [],
            "address": statement_address(row.card.statement) if row.card else "",
        }
        return render(request, "competence/cards/my_card.html", context)


@never_cache
@require_GET
def card_code(request: HttpRequest, number: str) -> HttpResponse:
    """The code of a card as a drawing, for its holder and those who print cards at their site."""
    card = get_object_or_404(Card.objects.select_related("operator__state__site"), number=number)
    if request.user.operator_id != card.operator_id:
        require(request.user, Right.PRINT_CARD, site=card.operator.site)
    if card.is_erased:
        raise Http404("What this card said was erased.")
    return HttpResponse(code_as_svg(card.statement), content_type="image/svg+xml")


@asks(Right.KEEP_PEOPLE)
def operator_photograph(request: HttpRequest, number: str) -> HttpResponse:
    """Keep a photograph of an operator; the one before stays on record."""
    person = operator_or_404(request, number, Right.KEEP_PEOPLE)
    form = PhotographForm(request.POST or None, request.FILES or None)
    if form.is_valid() and attempt(
        form, keep_photograph, by=request.user, operator=person, **form.cleaned_data
    ):
        messages.success(request, "The photograph is kept. The card shows it from the next printing on.")
        return redirect("operator", person.number)
    context = {"operator": person, "form": form, "photograph": latest_photograph(person)}
    return render(request, "competence/cards/photograph.html", context)


@asks(Right.KEEP_PEOPLE)
def operator_photograph_away(request: HttpRequest, number: str) -> HttpResponse:
    """Erase an operator's photograph, and the older ones with it."""
    person = operator_or_404(request, number, Right.KEEP_PEOPLE)
    form = PhotographAwayForm(request.POST or None)
    if form.is_valid() and attempt(
        form, take_photograph_away, by=request.user, operator=person, **form.cleaned_data
    ):
        messages.success(request, "The photograph is erased. A card that showed it is to be printed anew.")
        return redirect("operator", person.number)
    return form_page(
        request,
        form,
        title="Take the photograph away",
        overline=f"Operator {person.number}",
        lead=f"For when {person.name} does not want to be shown any more. Nothing else of theirs changes.",
        consequence="The photograph and every older one are erased for good; that there was one stays on "
        "record. Cards printed with it still show it: take them back.",
        submit="Take the photograph away",
        back_url=reverse("operator-photograph", args=[person.number]),
        back_label="the photograph",
    )


@require_GET
def operator_photograph_file(request: HttpRequest, pk: int) -> FileResponse:
    """A photograph of an operator, for themself and for staff who see records at their home site."""
    kept = get_object_or_404(OperatorPhotograph.objects.select_related("operator__state__site"), pk=pk)
    if request.user.operator_id != kept.operator_id:
        require(request.user, Right.SEE_RECORDS, site=kept.operator.site)
    if not kept.photograph:
        raise Http404("There is no photograph.")
    try:
        picture = kept.photograph.open("rb")
    except FileNotFoundError as gone:
        raise Http404("The photograph's file is missing.") from gone
    response = FileResponse(picture, content_type="image/jpeg", filename=f"photograph-{kept.pk}.jpg")
    response["X-Content-Type-Options"] = "nosniff"
    response["Cache-Control"] = "private, max-age=3600"
    return response


urlpatterns: list[URLPattern] = [
    path("cards/", card_list, name="card-list"),
    path("cards/issue/", card_issue, name="card-issue"),
    path("cards/print/", card_print, name="card-print"),
    path("cards/print/cards.pdf", card_pdf, name="card-pdf"),
    path("cards/<str:number>/code.svg", card_code, name="card-code"),
    path("cards/<str:number>/stop/", card_stop, name="card-stop"),
    path("my/card/", my_card, name="my-card"),
    path("operators/<str:number>/photograph/", operator_photograph, name="operator-photograph"),
    path(
        "operators/<str:number>/photograph/away/", operator_photograph_away, name="operator-photograph-away"
    ),
    path("operators/photographs/<int:pk>/", operator_photograph_file, name="operator-photograph-file"),
]
