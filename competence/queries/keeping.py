"""What is kept, to which day and by which rule: of one person, and over the whole register."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import CharField, Count, Exists, F, OuterRef, Q, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from competence.models import (
    Account,
    Erasure,
    Evidence,
    JournalEntry,
    KeepingRule,
    Operator,
    OperatorState,
    Site,
    TicketEvent,
)
from competence.models.personal import PERSONAL, Personal
from competence.rules.dates import day_at, first_moment
from competence.rules.retention import (
    FLOORS,
    Anchor,
    Basis,
    Clause,
    Holds,
    Kept,
    RecordFacts,
    RecordKind,
    keep,
    latest_past,
)

KIND_WORDS: dict[RecordKind, str] = {
    RecordKind.TRAINING: "Training evidence",
    RecordKind.REFRESHER: "Refreshers",
    RecordKind.MEDICAL: "Medicals",
    RecordKind.TICKET: "Tickets, cards and credentials",
    RecordKind.ASSESSMENT: "Practical assessments",
    RecordKind.SITTING: "Question papers sat",
    RecordKind.CHECK: "Daily checks",
    RecordKind.DEFECT: "Defects",
    RecordKind.REFUSAL: "Refusals",
    RecordKind.BOOKING: "Bookings",
    RecordKind.IMPORT: "Rows of an old spreadsheet",
    RecordKind.PHOTOGRAPH: "Photographs of people",
    RecordKind.WORDS: "Free text beside a record",
    RecordKind.MAIL: "Mail that was sent",
    RecordKind.LOOK: "Looks into somebody's record",
    RecordKind.ACCOUNT: "Accounts of staff",
    RecordKind.PARTICULARS: "Names and particulars",
}
ANCHOR_WORDS: dict[Anchor, str] = {
    Anchor.MADE: "the day itself",
    Anchor.LEFT: "the day on which the person leaves",
    Anchor.CLOSED: "the day on which it is put right",
}


def policy() -> list[KeepingRule]:
    """The firm's rules in force: of each kind, place and anchor the newest, those of no months left out. One
    statement."""
    newest: dict[tuple, KeepingRule] = {}
    rules = KeepingRule.objects.select_related("site", "recorded_by").order_by("recorded_at", "pk")
    for rule in rules:
        newest[rule.kind, rule.site_id, rule.anchor] = rule
    return [rule for rule in newest.values() if rule.months]


def clauses_of(rules: Iterable[KeepingRule]) -> dict[RecordKind, list[Clause]]:
    """Rules in force as the rule of keeping takes them. No statement."""
    found: dict[RecordKind, list[Clause]] = defaultdict(list)
    for rule in rules:
        found[RecordKind(rule.kind)].append(
            Clause(
                Anchor(rule.anchor),
                f"policy: {rule.source}",
                months=rule.months,
                basis=Basis.POLICY,
                site=rule.site.code if rule.site else None,
            )
        )
    return found


def left_at(of: str = "pk") -> Subquery:
    """When an operator left, ``of`` being what leads to them: from when on the entry has been not active,
    whatever was entered late. Null for whoever is here, or came back."""
    same = {"effective_at": OuterRef("effective_at")}
    later = OperatorState.objects.filter(operator=OuterRef("operator"), is_active=True).filter(
        Q(effective_at__gt=OuterRef("effective_at"))
        | Q(**same, recorded_at__gt=OuterRef("recorded_at"))
        | Q(**same, recorded_at=OuterRef("recorded_at"), pk__gt=OuterRef("pk"))
    )
    gone = OperatorState.objects.filter(operator=OuterRef(of), is_active=False).filter(~Exists(later))
    return Subquery(gone.order_by("effective_at", "recorded_at", "pk").values("effective_at")[:1])


def left_on(operator: Operator) -> date | None:
    """The day on which somebody left, on their site's calendar. One statement."""
    [moment] = Operator.objects.filter(pk=operator.pk).values_list(left_at(), flat=True)
    return day_at(moment, ZoneInfo(operator.site.zone)) if moment else None


@dataclass(frozen=True)
class KeptKind:
    """How one kind of somebody's records stands: ``kept`` is that of the row that is kept the longest."""

    kind: RecordKind
    rows: int
    past: int
    kept: Kept

    @property
    def words(self) -> str:
        return KIND_WORDS[self.kind]

    @property
    def is_past(self) -> bool:
        """Whether the time of every row of it is over."""
        return self.past == self.rows

    def as_plain(self) -> dict[str, Any]:
        until = self.kept.until
        return {
            "kind": self.kind.value,
            "rows": self.rows,
            "until": until.isoformat() if until else None,
            "words": self.kept.words,
        }


def kept_of(operator: Operator, left: date | None, today: date) -> list[KeptKind]:
    """Every kind of record that speaks of somebody who left on ``left``, in the order of the rules; one
    statement for each kind of row, and one."""
    rules, home = clauses_of(policy()), operator.site
    zone = ZoneInfo(home.zone)
    by_kind: dict[RecordKind, list[Kept]] = defaultdict(list)
    for kind, model, told, which in sources():
        first = [lookup for lookup in told.to_operator if lookup not in told.second]
        if not first:
            continue
        mine = rows_about(model, first, operator).filter(which)
        for made, closed, site in mine.values_list(*_anchors(told)):
            facts = RecordFacts(
                kind,
                _day(made, zone),
                left,
                _day(closed, zone) if closed else None,
                frozenset({home.code, site} - {None}),
            )
            by_kind[kind].append(keep(facts, rules[kind]))
    return [
        KeptKind(kind, len(kept), sum(one.is_past(today) for one in kept), max(kept, key=_length))
        for kind in RecordKind
        if (kept := by_kind[kind])
    ]


def _length(kept: Kept) -> date:
    """A day to compare by: what has no end yet is kept the longest, what nobody asks for the shortest."""
    return (kept.until or date.max) if kept.is_asked_for else date.min


def sources() -> Iterator[tuple[RecordKind, Any, Personal, Q]]:
    """Each kind of record, with a model whose rows are of it and which of them."""
    for label, told in PERSONAL.items():
        for kind, which in told.kinds:
            yield kind, apps.get_model(label), told, which


def rows_about(model: Any, lookups: Iterable[str], whom: Operator | Account) -> QuerySet:
    """The rows of a model that reach ``whom`` by one of the lookups."""
    reached = Q()
    for lookup in lookups:
        reached |= Q(**{lookup: whom.pk})
    return model._base_manager.filter(reached)


def _anchors(told: Personal) -> list[Any]:
    closed = Coalesce(*told.closed) if len(told.closed) > 1 else F(told.closed[0]) if told.closed else None
    return [F(told.made), closed or _nothing(), F(told.site) if told.site else _nothing()]


def _nothing() -> Any:
    return Value(None, output_field=CharField(null=True))


def _day(moment: date | datetime, zone: ZoneInfo) -> date:
    return day_at(moment, zone) if isinstance(moment, datetime) else moment


def kept_of_staff(account: Account, today: date) -> list[KeptKind]:
    """Of an account that is no operator's: its own time, and that of the training records which it signed,
    since the name of whoever taught belongs to those (30 CFR 46.9(b)). Statements as many as people whom the
    account recorded something of, at most."""
    rules, closed = clauses_of(policy()), closed_on(account)
    own = keep(
        RecordFacts(RecordKind.ACCOUNT, closed or today, closed, sites=frozenset()), rules[RecordKind.ACCOUNT]
    )
    found = [KeptKind(RecordKind.ACCOUNT, 1, int(own.is_past(today)), own)]
    signed = Q(pk__in=Evidence.objects.filter(recorded_by=account).values("operator")) | Q(
        pk__in=TicketEvent.objects.filter(recorded_by=account).values("ticket__operator")
    )
    people = Operator.objects.filter(signed).exclude(
        pk__in=Erasure.objects.filter(kind=Erasure.Kind.PERSON, operator__isnull=False).values("operator")
    )
    kept: list[Kept] = []
    for person in people.annotate(left=left_at()).select_related("state__site"):
        zone = ZoneInfo(person.site.zone)
        facts = RecordFacts(
            RecordKind.PARTICULARS,
            person.started_on,
            day_at(person.left, zone) if person.left else None,
            sites=frozenset({person.site.code}),
        )
        kept.append(keep(facts, rules[RecordKind.PARTICULARS]))
    if kept:
        past = sum(one.is_past(today) for one in kept)
        found.append(KeptKind(RecordKind.TRAINING, len(kept), past, max(kept, key=_length)))
    return found


def closed_on(account: Account) -> date | None:
    """The day (UTC) on which a staff account was closed, by the journal. One statement."""
    if account.is_active:
        return None
    moment = (
        JournalEntry.objects.filter(
            action="account.closed", rows__kind=Account._meta.label_lower, rows__key=str(account.pk)
        )
        .order_by("-pk")
        .values_list("at", flat=True)
        .first()
    )
    return moment.date() if moment else None


@dataclass(frozen=True)
class KindLine:
    """One kind of record on the page of keeping: every clause that speaks of it, and how many there are."""

    kind: RecordKind
    clauses: tuple[Clause, ...]
    # None: nothing is counted under this kind by itself.
    rows: int | None
    past: int | None

    @property
    def words(self) -> str:
        return KIND_WORDS[self.kind]

    @property
    def rules(self) -> list[tuple[str, str]]:
        """Its rules in words, each with every place where it stands."""
        told: dict[str, list[str]] = defaultdict(list)
        for clause in self.clauses:
            where = f"{clause.source} ({clause.site})" if clause.site else clause.source
            told[clause.words].append(where)
        return [(words, ", ".join(sources)) for words, sources in told.items()]


def kind_lines(moment: datetime, site_ids: frozenset[int] | None = None) -> list[KindLine]:
    """Each kind of record with its rules, how many there are at these sites (``None``: every one) and how
    many are past their time. One statement for each kind of row, and two."""
    clauses, zones = clauses_of(policy()), _zones()
    counted: dict[RecordKind, tuple[int, int]] = {}
    for kind, model, told, which in sources():
        rows = model._base_manager.filter(which)
        person = f"{told.to_operator[0]}__" if told.to_operator and told.to_operator[0] != "pk" else ""
        home = f"{person}state__site" if told.to_operator else told.site.removesuffix("__code")
        if site_ids is not None:
            rows = rows.filter(**{f"{home}__in": site_ids})
        if told.to_operator:
            erased = Erasure.objects.filter(kind=Erasure.Kind.PERSON, operator__isnull=False)
            rows = rows.exclude(**{f"{told.to_operator[0]}__in": erased.values("operator")})
        every = (*FLOORS[kind], *clauses[kind])
        past = _past(model, told, every, moment, zones, home) if every else Q(pk__isnull=False)
        if told.to_operator:
            rows = rows.annotate(left=left_at(told.to_operator[0]))
        found = rows.aggregate(rows=Count("pk", distinct=True), past=Count("pk", filter=past, distinct=True))
        before = counted.get(kind, (0, 0))
        counted[kind] = (before[0] + found["rows"], before[1] + found["past"])
    return [
        KindLine(
            kind,
            (*FLOORS[kind], *clauses[kind]),
            *counted.get(kind, (None, None)),
        )
        for kind in RecordKind
    ]


def _zones() -> dict[str, ZoneInfo]:
    return {name: ZoneInfo(name) for name in Site.objects.values_list("zone", flat=True).distinct()}


def _past(
    model: Any,
    told: Personal,
    clauses: Iterable[Clause],
    moment: datetime,
    zones: dict[str, ZoneInfo],
    home: str,
) -> Q:
    """Rows of which every clause that speaks of them has run out by ``moment``, on the calendar of the home
    site."""
    # An account of staff has no home site; its days are those of UTC.
    nowhere = (Q(**{f"{home}__isnull": True}), ZoneInfo("UTC"))
    past = Q()
    for here, zone in [*((Q(**{f"{home}__zone": name}), zone) for name, zone in zones.items()), nowhere]:
        for clause in clauses:
            here &= _has_run_out(model, told, clause, day_at(moment, zone), zone, home)
        past |= here
    return past


def _has_run_out(model: Any, told: Personal, clause: Clause, today: date, zone: ZoneInfo, home: str) -> Q:
    last = latest_past(clause, today)
    if clause.anchor is Anchor.LEFT:
        run_out = Q(left__lt=first_moment(last + timedelta(days=1), zone)) if told.to_operator else Q(pk=None)
    elif clause.anchor is Anchor.CLOSED:
        run_out = Q(pk=None)
        for lookup in told.closed:
            run_out |= _up_to(model, lookup, last, zone)
    else:
        run_out = _up_to(model, told.made, last, zone)
    if clause.holds is Holds.WHILE_HERE:
        run_out |= Q(left__isnull=False)
    elif clause.holds is Holds.ONCE_LEFT:
        run_out |= Q(left__isnull=True)
    if clause.site is not None:
        elsewhere = ~Q(**{f"{home}__code": clause.site})
        if told.site:
            elsewhere &= ~Q(**{told.site: clause.site}) | Q(**{f"{told.site}__isnull": True})
        run_out |= elsewhere
    return run_out


def _up_to(model: Any, lookup: str, last: date, zone: ZoneInfo) -> Q:
    """Rows whose day or moment is ``last`` or before."""
    field: Any = None
    for name in lookup.split("__"):
        field = model._meta.get_field(name)
        model = field.related_model or model
    if field.get_internal_type() == "DateTimeField":
        return Q(**{f"{lookup}__lt": first_moment(last + timedelta(days=1), zone)})
    return Q(**{f"{lookup}__lte": last})


def people_past(moment: datetime, site_ids: frozenset[int] | None) -> list[tuple[Operator, date]]:
    """Who left longer ago than any rule of the law or the register's own asks of their particulars, and is
    not erased yet, with the day; those who left first come first. Whether policy or a later record holds them
    is said on their own page. One statement."""
    longest = max(one.days for one in FLOORS[RecordKind.PARTICULARS])
    erased = Erasure.objects.filter(kind=Erasure.Kind.PERSON, operator__isnull=False).values("operator")
    gone = (
        Operator.objects.with_state()
        .at_sites(site_ids)
        .filter(state__is_active=False)
        .exclude(pk__in=erased)
        .annotate(left=left_at())
        .filter(left__lt=moment - timedelta(days=longest))
        .order_by("left", "number")
    )
    told = ((one, ZoneInfo(one.site.zone)) for one in gone)
    days = ((one, day_at(one.left, zone), day_at(moment, zone)) for one, zone in told)
    return [(one, left) for one, left, today in days if today > left + timedelta(days=longest)]
