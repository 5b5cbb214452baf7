"""Refusals for the screen: every reason in words, whose move it is, and whom to ring."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Q, QuerySet

from competence.models import DailyCheck, Refusal, Role, Site
from competence.queries.words import MACHINE_OR_OPERATOR, holding
from competence.rules.reasons import Move, Reason, long_date

# Whose move it is, said to somebody who is not the operator.
WHOSE_MOVE = {
    Move.OPERATOR: "The operator",
    Move.SUPERVISING_OPERATOR: "The supervising operator",
    Move.TRAINER: "A trainer",
    Move.SITE_ADMIN: "The site admin",
}
OWN_MOVE = {**WHOSE_MOVE, Move.OPERATOR: "Yours"}
ROLE_OF_MOVE = {Move.TRAINER: Role.Name.TRAINER, Move.SITE_ADMIN: Role.Name.SITE_ADMIN}
# More names than this is a list to read, not a person to ring.
MOST_CONTACTS = 3


@dataclass(frozen=True)
class Contact:
    """Somebody to ring. ``phone`` may be empty; ``role`` is in words."""

    name: str
    phone: str
    role: str


@dataclass(frozen=True)
class ShownReason:
    """One reason as the page shows it."""

    sentence: str
    since: str
    remedy: str
    move_label: str
    contacts: tuple[Contact, ...] = ()


@dataclass(frozen=True)
class RefusalSheet:
    """A refusal with everything that its page says. ``may_name_supervisor``: nothing else is in the way."""

    refusal: Refusal
    reasons: tuple[ShownReason, ...]
    may_name_supervisor: bool


def contacts_at(site: Site, roles: Collection[str]) -> dict[str, tuple[Contact, ...]]:
    """Who holds each role at a site: those of this site before those of every site, and those with a phone
    number first. One statement."""
    held = (
        Role.objects.filter(
            Q(site=site) | Q(site__isnull=True),
            name__in=list(roles),
            ended_at__isnull=True,
            account__is_active=True,
        )
        .select_related("account")
        .order_by("account__last_name", "account__first_name", "pk")
    )
    found: dict[str, dict[int, tuple[tuple[bool, bool], Contact]]] = defaultdict(dict)
    for role in held:
        is_wide = role.site_id is None
        label = Role.Name(role.name).label
        where = "every site" if is_wide else site.name
        contact = Contact(role.account.name, role.account.phone, f"{label}, {where}")
        order = (not role.account.phone, is_wide)
        known = found[role.name].get(role.account_id)
        if known is None or order < known[0]:
            found[role.name][role.account_id] = order, contact
    return {
        name: tuple(contact for _, contact in sorted(people.values(), key=lambda one: one[0])[:MOST_CONTACTS])
        for name, people in found.items()
    }


def refusals_to_show() -> QuerySet[Refusal]:
    """Refusals with everything that their pages name beside them, for one statement."""
    return Refusal.objects.select_related(
        "machine__state__category", "machine__state__site", "operator__state__site", "site", "supervisor"
    )


def shown_reasons(
    reasons: Iterable[Reason], site: Site, labels: Mapping[Move, str]
) -> tuple[ShownReason, ...]:
    """Each reason, with whom to ring beside the first that is theirs to put right. One statement."""
    reasons = list(reasons)
    people = contacts_at(site, {ROLE_OF_MOVE[one.move] for one in reasons if one.move in ROLE_OF_MOVE})
    told: set[Move] = set()
    shown = []
    for reason in reasons:
        contacts = () if reason.move in told else people.get(ROLE_OF_MOVE.get(reason.move, ""), ())
        told.add(reason.move)
        since = long_date(reason.since) if reason.since else ""
        shown.append(ShownReason(reason.sentence, since, reason.remedy, labels[reason.move], contacts))
    return tuple(shown)


def sheet_of_refusal(refusal: Refusal, *, is_own: bool) -> RefusalSheet:
    """Every reason of a refusal, as it was kept. One statement. ``is_own``: it is told to the operator."""
    reasons = [Reason.from_plain(plain) for plain in refusal.verdict.get("reasons", [])]
    only_supervision = bool(reasons) and all(one.code.startswith("supervisor_") for one in reasons)
    return RefusalSheet(
        refusal, shown_reasons(reasons, refusal.site, OWN_MOVE if is_own else WHOSE_MOVE), only_supervision
    )


def answers_in_draft(refusal: Refusal) -> tuple[DailyCheck, int] | None:
    """The operator's open draft on the machine with its number of answers, so that nobody who was stopped in
    the middle thinks them lost. One statement."""
    drafts = DailyCheck.objects.filter(
        operator=refusal.operator_id, machine=refusal.machine_id, status=DailyCheck.Status.DRAFT
    )
    draft = drafts.annotate(answer_count=Count("findings")).order_by("-started_at").first()
    return (draft, draft.answer_count) if draft and draft.answer_count else None


@dataclass(frozen=True)
class RefusalsAsked:
    """What narrows the list of refusals; an empty value narrows nothing."""

    site: int | None = None
    first_moment: datetime | None = None
    before: datetime | None = None
    words: str = ""


def refusals_at(site_ids: frozenset[int] | None, asked: RefusalsAsked) -> QuerySet[Refusal]:
    """Refusals at these sites (``None``: every site), the newest first. One statement, and one more for a
    page's count."""
    refusals = refusals_to_show()
    if site_ids is not None:
        refusals = refusals.filter(site_id__in=site_ids)
    if asked.site is not None:
        refusals = refusals.filter(site_id=asked.site)
    if asked.first_moment is not None:
        refusals = refusals.filter(at__gte=asked.first_moment)
    if asked.before is not None:
        refusals = refusals.filter(at__lt=asked.before)
    return holding(refusals, asked.words, *MACHINE_OR_OPERATOR).order_by("-at", "pk")


def all_sentences(refusal: Refusal) -> str:
    """A refusal's reasons in one line, from what was stored with it."""
    return " ".join(reason["sentence"] for reason in refusal.verdict.get("reasons", []))
