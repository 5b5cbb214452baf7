"""A register of a stated size: everything in it is a copy of what the permission matrix's world has.

Journalled is each check's start and submission with the images of the check and of every finding, which is
nearly all of a register's journal. The entries' leaves are random bytes: sealing and proofs work on a whole
tree, but verifying would call every row altered, so nothing here verifies. Not journalled are people,
machines, tickets, evidence, assessments and sittings; not filled are imports, plans and mail.
"""

from types import SimpleNamespace

from competence.actions.journal import seal
from competence.models import (
    DailyCheck,
    Finding,
    ListedPoint,
    Role,
)
from tests.bench.weight.rows import (
    BASE,
    ago,
    an_id,
    copies,
    day,
    hurry,
    numbered,
    octets,
    one_of,
    plain,
    run,
    series,
    settle,
    table,
)
from tests.bench.weight.sizes import CATEGORIES, DAYS, EVIDENCE_EACH, TICKETS_EACH, Size

SECONDS = DAYS * 86_400


def fill(world: SimpleNamespace, size: Size) -> None:
    """Add to the register in use, which has the world and nothing else, up to ``size``."""
    hurry()
    places = Places(world, size)
    add_places(world, size, places)
    add_people(world, size, places)
    add_checks(world, size, places)
    add_findings(world, size)
    add_journal(world, size)
    add_assessments(world, size, places)
    run("DROP TABLE weight_check")
    seal()
    settle()


class Places:
    """Which site and category a running number belongs to, as expressions."""

    def __init__(self, world: SimpleNamespace, size: Size) -> None:
        self.world, self.size = world, size
        self.categories = [category.pk for category in world.categories]

    def site(self, number: str) -> str:
        place = f"({number}) % {self.size.sites}"
        return (
            f"CASE {place} WHEN 0 THEN {self.world.site.pk} WHEN 1 THEN {self.world.other_site.pk} "
            f"ELSE {BASE} + {place} END"
        )

    def category(self, number: str) -> str:
        return one_of(self.categories, number)

    def by_category(self, keys: dict[int, int], number: str) -> str:
        return one_of([keys[category] for category in self.categories], number)

    def operator_of_check(self, number: str) -> str:
        """Somebody of the site at which the check's machine stands."""
        machine, sites = f"(({number}) % {self.size.machines})", self.size.sites
        turn = f"(({number}) / {self.size.machines} * 7 + {machine} / {sites} * 3)"
        return f"({machine} % {sites} + {sites} * ({turn} % {self.size.operators_a_site}))"


def add_places(world: SimpleNamespace, size: Size, places: Places) -> None:
    if size.sites > 2:
        copies(
            world.site,
            f"{series(size.sites)}",
            where="AND s.n > 1",
            id=f"{BASE} + s.n",
            code="'W' || s.n",
            name="'Weight ' || s.n",
        )
        for role in ("trainer", "site_admin"):
            account = getattr(world, role)
            start = BASE * (2 if role == "trainer" else 3)
            copies(account, series(size.sites), id=f"{start} + s.n", username=f"'{role}-' || s.n")
            copies(
                Role.objects.get(account=account),
                series(size.sites),
                account_id=f"{start} + s.n",
                site_id=places.site("s.n"),
            )
    category = f"(s.n / {size.sites})"
    model = f"'Maker ' || ({category} % {CATEGORIES})"
    machine = world.machine
    copies(
        machine.state,
        series(size.machines),
        id=f"{BASE} + s.n",
        machine_id=f"{BASE} + s.n",
        site_id=places.site("s.n"),
        category_id=places.category(category),
        make_and_model=model,
    )
    copies(
        machine,
        series(size.machines),
        id=f"{BASE} + s.n",
        state_id=f"{BASE} + s.n",
        fleet_number="'W-' || s.n",
        serial_number="'WS-' || s.n",
    )
    # A quarter of a year of shifts.
    copies(
        world.use,
        series(size.machines * 60),
        machine_id=f"{BASE} + s.n % {size.machines}",
        on=day(f"-1 - s.n / {size.machines}"),
    )
    copies(
        world.minimum,
        series(size.sites * CATEGORIES),
        where="AND s.n > 0",
        site_id=places.site("s.n"),
        category_id=places.category(category),
    )


def add_people(world: SimpleNamespace, size: Size, places: Places) -> None:
    people, operator = size.operators, world.operator
    site = places.site("s.n")
    copies(
        operator.state,
        series(people),
        id=f"{BASE} + s.n",
        operator_id=f"{BASE} + s.n",
        site_id=site,
    )
    copies(
        operator,
        series(people),
        id=f"{BASE} + s.n",
        state_id=f"{BASE} + s.n",
        number="'W' || s.n",
        given_name="'Given' || (s.n % 97)",
        family_name="'Family' || (s.n % 1009)",
    )
    account = world.operator_account
    copies(
        account,
        series(people),
        id=f"{BASE * 10} + s.n",
        operator_id=f"{BASE} + s.n",
        username="'w' || s.n",
    )
    copies(
        Role.objects.get(account=account),
        series(people),
        account_id=f"{BASE * 10} + s.n",
        site_id=site,
    )
    add_tickets(world, size, places)
    add_evidence(world, size, places)
    copies(
        world.absence,
        series(people // 4),
        operator_id=f"{BASE} + s.n * 4",
        first_day=day("s.n % 60 - 30"),
        last_day=day("s.n % 60 - 25"),
    )
    copies(
        world.booking,
        series(people // 10),
        operator_id=f"{BASE} + s.n * 10",
        site_id=places.site("s.n * 10"),
        machine_id=f"{BASE} + (s.n * 10) % {size.machines}",
        on=day("s.n % 120 - 60"),
    )
    copies(
        world.look,
        series(people // 10),
        at=ago(f"60 + s.n * {SECONDS // people * 10}"),
        operator_id=f"{BASE} + s.n * 10",
        site_id=places.site("s.n * 10"),
    )
    half = people // 2
    copies(
        world.status_place,
        series(half),
        id=f"{BASE} + s.n",
        list_number="1 + s.n / 100000",
        place="s.n % 100000 + 5",
    )
    copies(
        world.card,
        series(half),
        id=f"{BASE} + s.n",
        number="'W' || s.n",
        operator_id=f"{BASE} + s.n",
    )
    copies(
        world.card_ticket,
        series(half),
        card_id=f"{BASE} + s.n",
        ticket_id=f"{BASE} + s.n * {TICKETS_EACH}",
        status_id=f"{BASE} + s.n",
    )


def add_tickets(world: SimpleNamespace, size: Size, places: Places) -> None:
    """Five each, from 2.5 years ago to nearly two years hence; a tenth has ended."""
    each = TICKETS_EACH
    number = size.operators * each
    first, last = day("-400 - s.n % 300"), day("(s.n * 37) % 700 - 70")
    person = f"(s.n / {each})"
    category = f"{person} / {size.sites} + s.n % {each}"
    copies(
        world.ticket,
        series(number),
        id=f"{BASE} + s.n",
        number="'W' || s.n",
        operator_id=f"{BASE} + {person}",
        category_id=places.category(category),
        first_day=first,
        last_day=last,
        is_suspended="(s.n % 200 = 0)",
    )
    copies(
        world.event,
        series(number),
        ticket_id=f"{BASE} + s.n",
        first_day=first,
        last_day=last,
        standard_version_id=places.by_category(world.standards, category),
    )
    copies(
        world.event,
        series(number),
        where="AND s.n % 200 = 0",
        ticket_id=f"{BASE} + s.n",
        sequence="2",
        kind="'suspended'",
        level="NULL",
        first_day="NULL",
        last_day="NULL",
        conditions="NULL",
    )


def add_evidence(world: SimpleNamespace, size: Size, places: Places) -> None:
    """Eight each, so that whoever holds a ticket for the first of their categories is let through."""
    first = f"(s.n / {size.sites})"
    about = {"category_id": "NULL", "site_id": "NULL", "machine_model": "''", "counts_to": "NULL"}
    for place, (kind, columns) in enumerate(
        (
            ("medical", {"occurred_on": day("-700")}),
            ("medical", {"occurred_on": day("-20 - s.n % 300")}),
            ("induction", {"site_id": places.site("s.n")}),
            ("practical", {"category_id": places.category(first)}),
            ("paper", {"category_id": places.category(first)}),
            ("practical", {"category_id": places.category(f"{first} + 1")}),
            ("familiarisation", {"machine_model": f"'Maker ' || ({first} % {CATEGORIES})"}),
            ("familiarisation", {"machine_model": f"'Maker ' || (({first} + 1) % {CATEGORIES})"}),
        )
    ):
        copies(
            world.medical,
            series(size.operators),
            **{
                **about,
                "id": f"{BASE} + s.n * {EVIDENCE_EACH} + {place}",
                "operator_id": f"{BASE} + s.n",
                "kind": f"'{kind}'",
                **columns,
            },
        )


def add_checks(world: SimpleNamespace, size: Size, places: Places) -> None:
    """In order of time over 400 days, round the machines; one refusal to twenty."""
    source = numbered("weight_check", size.checks)
    machine = f"(s.n % {size.machines})"
    since = f"({size.checks} - s.n) * {SECONDS} / {size.checks}"
    copies(
        world.submitted_check,
        f"{source} AS s",
        id="s.id",
        machine_id=f"{BASE} + {machine}",
        site_id=places.site(machine),
        operator_id=f"{BASE} + {places.operator_of_check('s.n')}",
        checklist_id=places.by_category(world.checklists, f"{machine} / {size.sites}"),
        started_at=ago(f"{since} + 1200"),
        submitted_at=ago(f"{since} + 600"),
        hour_meter=f"1000 + s.n / {size.machines} * 8",
        result="CASE WHEN s.n % 10 = 0 AND s.n * 7 % 60 < 45 THEN 'do_not_use' ELSE 'fit' END",
    )
    copies(
        world.refusal,
        series(size.checks // 20),
        id=an_id(),
        at=ago(f"60 + s.n * {SECONDS * 20 // size.checks}"),
        operator_id=f"{BASE} + {places.operator_of_check('s.n')}",
        machine_id=f"{BASE} + {machine}",
        site_id=places.site(machine),
    )


def add_findings(world: SimpleNamespace, size: Size) -> None:
    """45 to a check; in three checks of four one is a defect, open if it was found in the last five days."""
    is_defect = "(l.position = 1 + s.n * 7 % 60)"
    source = f"weight_check AS s CROSS JOIN {table(DailyCheck)} AS c CROSS JOIN {table(ListedPoint)} AS l"
    belongs = "AND c.id = s.id AND l.version_id = c.checklist_id"
    grade = "CASE WHEN s.n % 10 = 0 THEN 'stop_use' ELSE 'report' END"
    copies(
        world.good_finding,
        source,
        where=belongs,
        daily_check_id="s.id",
        listed_id="l.id",
        answer=f"CASE WHEN {is_defect} THEN 'defect' ELSE 'good' END",
        grade=f"CASE WHEN {is_defect} THEN {grade} ELSE '' END",
        note=f"CASE WHEN {is_defect} THEN 'Worn through.' ELSE '' END",
        answered_at="c.started_at",
    )
    is_old = f"s.n < {size.checks - size.checks * 5 // DAYS}"
    copies(
        world.defect,
        f"{source} CROSS JOIN {table(Finding)} AS f",
        where=f"{belongs} AND f.daily_check_id = s.id AND f.listed_id = l.id AND {is_defect}",
        on_conflict="ON CONFLICT DO NOTHING",
        machine_id="c.machine_id",
        site_id="c.site_id",
        point_code="'weight-' || l.position",
        point_title="'Point ' || l.position",
        grade="f.grade",
        opened_at="c.submitted_at",
        opened_by_id="f.id",
        closed_at=f"CASE WHEN {is_old} THEN c.submitted_at END",
        closed_by_id=f"CASE WHEN {is_old} THEN {world.site_admin.pk} END",
        done=f"CASE WHEN {is_old} THEN 'Replaced.' ELSE '' END",
    )


def add_journal(world: SimpleNamespace, size: Size) -> None:
    joined = f"weight_check AS s CROSS JOIN {table(DailyCheck)} AS c"
    by = "(SELECT a.id FROM competence_account AS a WHERE a.operator_id = c.operator_id)"
    for place, action, at in ((0, "started", "c.started_at"), (1, "submitted", "c.submitted_at")):
        copies(
            world.entry,
            joined,
            where="AND c.id = s.id",
            id=f"{BASE} + s.n * 2 + {place}",
            at=at,
            by_id=by,
            action=f"'check.{action}'",
            leaf=octets(32),
            position="NULL",
        )
        copies(
            world.journalled_row,
            joined,
            where="AND c.id = s.id",
            entry_id=f"{BASE} + s.n * 2 + {place}",
            kind="'competence.dailycheck'",
            key="CAST(c.id AS text)",
            content=plain("'{\"id\":\"' || c.id || '\",\"verdict\":' || c.verdict || '}'"),
            salt=octets(16),
            commitment=octets(32),
        )
    image = (
        '\'{"answer":"\' || f.answer || \'","answered_at":"\' || f.answered_at || \'","daily_check_id":"\' '
        '|| f.daily_check_id || \'","grade":"\' || f.grade || \'","id":\' || f.id || \',"listed_id":\' '
        '|| f.listed_id || \',"not_reached_reason":"","note":"\' || f.note || '
        '\'","photograph":"","photograph_sha256":""}\''
    )
    copies(
        world.journalled_row,
        f"weight_check AS s CROSS JOIN {table(Finding)} AS f",
        where="AND f.daily_check_id = s.id",
        entry_id=f"{BASE} + s.n * 2 + 1",
        kind="'competence.finding'",
        key="CAST(f.id AS text)",
        content=plain(image),
        salt=octets(16),
        commitment=octets(32),
    )


def add_assessments(world: SimpleNamespace, size: Size, places: Places) -> None:
    """One confirmed assessment and two finished papers for each operator, on the world's own lists."""
    for name, row, each in (
        ("weight_assessment", world.confirmed_assessment, 1),
        ("weight_sitting", world.finished_sitting, 2),
    ):
        source = numbered(name, size.operators * each)
        seconds = f"60 + s.n * {SECONDS // (size.operators * each)}"
        columns = {
            "id": "s.id",
            "operator_id": f"{BASE} + s.n / {each}",
            "started_at": ago(f"{seconds} + 900"),
        }
        if each == 2:
            columns |= {
                "paper_id": one_of(world.papers, "s.n"),
                "category_id": one_of(world.paper_categories, "s.n"),
            }
        else:
            at = ago(seconds)
            columns |= {
                "site_id": places.site("s.n"),
                "assessor_id": one_of(
                    [world.trainer.pk, world.other_trainer.pk, world.everywhere_trainer.pk], "s.n"
                ),
                "finished_at": at,
                # The practical assessment that add_evidence wrote for the same person.
                "evidence_id": f"{BASE} + s.n * {EVIDENCE_EACH} + 3",
                "assessor_confirmed_at": at,
                "operator_confirmed_at": at,
            }
        copies(row, f"{source} AS s", **columns)
    listed = f"weight_assessment AS s CROSS JOIN {table(ListedPoint)} AS l"
    belongs = f"AND l.version_id = {world.checklist_version.pk}"
    copies(world.assessed_point, listed, where=belongs, assessment_id="s.id", listed_id="l.id")
    copies(
        world.tap,
        listed,
        where=belongs,
        assessment_id="s.id",
        listed_id="l.id",
        sent_as=an_id(),
        mark="CASE WHEN (s.n + l.position) % 9 = 0 THEN 'prompted' ELSE 'unprompted' END",
    )
    for position, version in enumerate(world.question_versions, start=1):
        copies(
            world.drawn,
            "weight_sitting AS s",
            id=f"{BASE * (10 + position)} + s.n",
            sitting_id="s.id",
            position=str(position),
            version_id=str(version.pk),
        )
        copies(
            world.answer,
            "weight_sitting AS s",
            drawn_id=f"{BASE * (10 + position)} + s.n",
            sent_as=an_id(),
            is_right=f"(s.n % {position + 4} <> 0)",
        )
    run("DROP TABLE weight_assessment")
    run("DROP TABLE weight_sitting")
