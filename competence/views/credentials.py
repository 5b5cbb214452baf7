"""What strangers ask the register: is this card genuine and still good; and credentials to take along.

The first part is public and tells of nobody: the verifying page works on what the card itself says.
"""

import json
import uuid

import jwt
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.contrib.staticfiles.storage import staticfiles_storage
from django.core.cache import cache
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import URLPattern, path
from django.views.decorators.cache import cache_control, never_cache
from django.views.decorators.http import require_GET

from competence.actions.cards import issue_ticket_credential
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.models import Category, Credential, Feature, Operator, StandardVersion, Ticket
from competence.outputs.credentials import achievement_document, jwk_set, status_list, stopped_cards
from competence.permissions import NotAllowed, Right, may, require
from competence.queries.achievements import PRACTICAL, TICKET_WORDS, achievement_of, standard_of
from competence.queries.cards import countable, zone_of
from competence.queries.signing import issuer_profile, key_id
from competence.queries.status_lists import list_numbers, stopped_ids
from competence.rules.cards import end_of
from competence.rules.credentials import W3C_CONTEXT
from competence.rules.status_lists import Purpose
from competence.views.files import file_to_keep

# A stop is published within a minute; in between one answer does for everybody who asks.
LIST_KEPT_SECONDS = 60
# What the verifying page needs beside itself, for a phone to keep.
PAGE_FILES = (
    "competence/card_check.css",
    "competence/card_check.js",
    "competence/mark.svg",
    "competence/icons.svg",
)


@login_not_required
@cache_control(no_cache=True)
@require_GET
def card_check(request: HttpRequest) -> HttpResponse:
    """The verifying page: the same for everybody, whoever is signed in, so that a phone may keep it."""
    words = {
        "categories": dict(Category.objects.values_list("code", "name")),
        "attachments": dict(Feature.objects.values_list("code", "name")),
    }
    page = render_to_string("competence/cards/check.html", {"keys": jwk_set(), "words": words})
    return HttpResponse(page)


@never_cache
@login_not_required
@require_GET
def card_worker(request: HttpRequest) -> HttpResponse:
    """The worker that keeps the verifying page; it sees nothing but that page."""
    files = [staticfiles_storage.url(name) for name in PAGE_FILES]
    script = render_to_string("competence/cards/card_worker.js", {"files": files})
    return HttpResponse(script, content_type="text/javascript; charset=utf-8")


def _for_everybody(response: HttpResponse) -> HttpResponse:
    """Let a verifier on any site read it: it is published, and no sign-in changes it."""
    response["Access-Control-Allow-Origin"] = "*"
    return response


@login_not_required
@cache_control(public=True, max_age=3600)
@require_GET
def issuer(request: HttpRequest) -> HttpResponse:
    return _for_everybody(JsonResponse({"@context": [W3C_CONTEXT], **issuer_profile()}))


@login_not_required
@cache_control(public=True, max_age=300)
@require_GET
def issuer_keys(request: HttpRequest) -> HttpResponse:
    return _for_everybody(JsonResponse(jwk_set(), content_type="application/jwk-set+json"))


@login_not_required
@cache_control(public=True, max_age=LIST_KEPT_SECONDS)
@require_GET
def issuer_status(request: HttpRequest, list_number: int, purpose: str) -> HttpResponse:
    """A status list credential: the whole list, so that nobody learns which place was asked for."""
    if purpose not in set(Purpose) or not 1 <= list_number <= list_numbers():
        raise Http404("There is no such list.")
    token = cache.get_or_set(
        f"status-list/{key_id()}/{list_number}/{purpose}",
        lambda: status_list(list_number, Purpose(purpose), at=now()),
        LIST_KEPT_SECONDS,
    )
    return _for_everybody(HttpResponse(token, content_type="application/vc+jwt"))


@login_not_required
@cache_control(public=True, max_age=LIST_KEPT_SECONDS)
@require_GET
def issuer_stopped_cards(request: HttpRequest) -> HttpResponse:
    """When cards were stopped, by their places in the status lists, which tell of nobody."""
    token = cache.get_or_set(f"stopped-cards/{key_id()}", lambda: stopped_cards(at=now()), LIST_KEPT_SECONDS)
    return _for_everybody(HttpResponse(token, content_type="application/jwt"))


@login_not_required
@cache_control(public=True, max_age=3600)
@require_GET
def issuer_achievement(request: HttpRequest, category: str, number: int, what: str) -> HttpResponse:
    """What a credential stands for: of a version of a standard, never of a person."""
    if what not in (*TICKET_WORDS, PRACTICAL):
        raise Http404("There is no such achievement.")
    versions = StandardVersion.objects.select_related("category")
    version = get_object_or_404(versions, category__code=category, number=number)
    return _for_everybody(JsonResponse(achievement_document(achievement_of(version, what))))


def require_taker(request: HttpRequest, operator: Operator) -> bool:
    """Its holder, or who may print cards or take things out at their site; whether it is the holder."""
    is_own = request.user.operator_id == operator.pk
    if not is_own and not may(request.user, Right.TAKE_OUT, site=operator.site):
        require(request.user, Right.PRINT_CARD, site=operator.site)
    return is_own


@never_cache
def ticket_credential(request: HttpRequest, number: str) -> HttpResponse:
    """The credentials of a ticket, to take along; a POST issues one of what the ticket is now."""
    tickets = Ticket.objects.select_related("category", "operator__state__site")
    ticket = get_object_or_404(tickets, number=number)
    operator = ticket.operator
    is_own = require_taker(request, operator)
    may_issue = is_own or may(request.user, Right.PRINT_CARD, site=operator.site)
    if request.method == "POST":
        if not may_issue:
            raise NotAllowed("Issuing a credential takes the right to print cards at the operator's site.")
        standard = standard_of(ticket)
        try:
            if standard is None or ticket.level is None:
                raise ActionRefused(
                    "No standard says what this ticket stands for, so there is no credential."
                )
            issue_ticket_credential(
                by=request.user,
                ticket=ticket,
                achievement=achievement_of(standard, ticket.level),
                valid_until=end_of(ticket.last_day, zone_of(operator)),
            )
            messages.success(request, "The credential is issued. Save it below.")
        except ActionRefused as refused:
            messages.error(request, refused.sentence)
        return redirect("ticket-credential", ticket.number)
    context = {
        "ticket": ticket,
        "operator": operator,
        "is_own": is_own,
        "may_issue": may_issue and bool(countable(operator, [ticket], now())) and operator.state.is_active,
        "lines": credential_lines(ticket.credentials.all()),
    }
    return render(request, "competence/cards/ticket_credential.html", context)


def credential_lines(credentials: QuerySet[Credential]) -> list[tuple[Credential, str, bool]]:
    """Credentials, newest first, with what stops each, in a word, and whether its time is past."""
    found = list(credentials.select_related("issued_by", "status").order_by("-issued_at"))
    stopped, moment = stopped_ids(found), now()
    lines = []
    for one in found:
        if one.is_erased:
            lines.append((one, "Erased", True))
            continue
        ends = jwt.decode(one.token, options={"verify_signature": False}).get("exp")
        lines.append((one, stopped.get(one.pk, ""), ends is not None and ends <= moment.timestamp()))
    return lines


@never_cache
@require_GET
def credential_file(request: HttpRequest, key: uuid.UUID, form: str) -> HttpResponse:
    """A credential as it was issued: ``jwt`` the signed token, ``json`` its body to read."""
    kept = get_object_or_404(Credential.objects.select_related("operator__state__site"), pk=key)
    require_taker(request, kept.operator)
    if kept.is_erased:
        raise Http404("What this credential said was erased.")
    if form == "json":
        body = jwt.decode(kept.token, options={"verify_signature": False})
        content, content_type = json.dumps(body, indent=2, ensure_ascii=False), "application/json"
    else:
        content, content_type = kept.token, "application/vc+jwt"
    return file_to_keep(content, f"credential-{kept.pk}.{form}", content_type)


urlpatterns: list[URLPattern] = [
    path("card/", card_check, name="card-check"),
    path("card/worker.js", card_worker, name="card-worker"),
    path("issuer/", issuer, name="issuer"),
    path("issuer/keys.json", issuer_keys, name="issuer-keys"),
    path("issuer/status/<int:list_number>/<str:purpose>/", issuer_status, name="issuer-status"),
    path("issuer/status/stopped-cards/", issuer_stopped_cards, name="issuer-stopped-cards"),
    path(
        "issuer/achievements/<str:category>/<int:number>/<str:what>/",
        issuer_achievement,
        name="issuer-achievement",
    ),
    path("tickets/<str:number>/credential/", ticket_credential, name="ticket-credential"),
    path("credentials/<uuid:key>.jwt", credential_file, {"form": "jwt"}, name="credential-jwt"),
    path("credentials/<uuid:key>.json", credential_file, {"form": "json"}, name="credential-json"),
]
