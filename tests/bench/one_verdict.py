"""One verdict with all reasons, against the same rows by hand-written SQL, and against pycasbin."""

import random
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from time import perf_counter
from typing import Any

import casbin
from django.db import connection
from django.test.utils import CaptureQueriesContext

from competence.queries.gate import snapshot
from competence.rules.gate import decide
from tests.bench.register import AT, MACHINES

ROUNDS = 400


@dataclass(frozen=True)
class Figures:
    """Seconds, medians of one call; ``floor`` is the hand-written SQL in the same run."""

    median: float
    floor: float
    statements: int
    allowed: int

    def line(self, operators: int) -> str:
        return (
            f"one verdict at {operators:,} operators: {self.median * 1e3:.2f} ms, "
            f"{self.statements} statements, hand-written SQL {self.floor * 1e3:.2f} ms, "
            f"ratio {self.median / self.floor:.1f}; "
            f"{self.allowed} of {ROUNDS} allowed"
        )


def measure(operators: int) -> Figures:
    chance = random.Random(20261125)  # noqa: S311  a fixed draw, so that two runs ask about the same people
    # Mostly people of the machines' own site, so that every outcome is among them.
    pairs = [
        (f"OP-{chance.randrange(operators) // 20 * 20}", f"M-{chance.randrange(MACHINES)}")
        for _ in range(ROUNDS)
    ]
    verdict(*pairs[0])
    with CaptureQueriesContext(connection) as statements:
        verdict(*pairs[0])
    allowed = sum(verdict(*pair).is_allowed for pair in pairs)
    by_hand(*pairs[0])
    # One after the other within a pair, so that whatever the machine does meets both.
    spent, floor = [], []
    for pair in pairs:
        spent.append(_timed(verdict, *pair))
        floor.append(_timed(by_hand, *pair))
    return Figures(median(spent), median(floor), len(statements), allowed)


def verdict(operator: str, machine: str) -> Any:
    return decide(snapshot(operator=operator, machine=machine, at=AT, known_at=AT), AT)


def by_hand(operator: str, machine: str) -> list[Any]:
    """The same rows, by SQL that a person would write for the purpose; nothing is made of them."""
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT s.*, m.fleet_number, t.code, t.name, t.zone, t.latitude, t.longitude, c.code, c.name
            FROM competence_machinestate s JOIN competence_machine m ON m.id = s.machine_id
            JOIN competence_site t ON t.id = s.site_id JOIN competence_category c ON c.id = s.category_id
            WHERE m.fleet_number = %s AND s.effective_at <= %s AND s.recorded_at <= %s
            ORDER BY s.effective_at DESC, s.recorded_at DESC LIMIT 1""",
            [machine, AT, AT],
        )
        rows = cursor.fetchall()
        state_id, category_id = rows[0][0], rows[0][[c[0] for c in cursor.description].index("category_id")]
        cursor.execute(
            """SELECT f.code FROM competence_fittedfeature x JOIN competence_feature f ON f.id = x.feature_id
            WHERE x.state_id = %s AND f.kind = 'attachment'""",
            [state_id],
        )
        rows += cursor.fetchall()
        cursor.execute(
            """SELECT v.number, v.in_force_from, r.kind, r.months, r.hours FROM competence_standardversion v
            LEFT JOIN competence_requirement r ON r.version_id = v.id
            WHERE v.category_id = %s AND v.recorded_at <= %s""",
            [category_id, AT],
        )
        rows += cursor.fetchall()
        cursor.execute(
            """SELECT v.number, c.code FROM competence_standardversion v
            JOIN competence_acceptedcategory a ON a.version_id = v.id
            JOIN competence_category c ON c.id = a.category_id WHERE v.category_id = %s""",
            [category_id],
        )
        rows += cursor.fetchall()
        cursor.execute(
            """SELECT o.number, o.given_name, o.family_name, o.started_on,
            (SELECT s.is_active FROM competence_operatorstate s WHERE s.operator_id = o.id
             AND s.effective_at <= %s AND s.recorded_at <= %s
             ORDER BY s.effective_at DESC, s.recorded_at DESC LIMIT 1),
            t.number, c.code, e.sequence, e.kind, e.effective_at, e.recorded_at, e.level, e.first_day,
            e.last_day, e.conditions, e.corrects_id, e.strikes_out
            FROM competence_operator o LEFT JOIN competence_ticket t ON t.operator_id = o.id
            LEFT JOIN competence_category c ON c.id = t.category_id
            LEFT JOIN competence_ticketevent e ON e.ticket_id = t.id WHERE o.number = %s""",
            [AT, AT, operator],
        )
        rows += cursor.fetchall()
        cursor.execute(
            """SELECT v.kind, v.occurred_on, v.is_met, v.counts_to, v.hours, c.code, s.code, v.machine_model,
            v.strikes_out, v.id, v.corrects_id FROM competence_evidence v
            JOIN competence_operator o ON o.id = v.operator_id
            LEFT JOIN competence_category c ON c.id = v.category_id
            LEFT JOIN competence_site s ON s.id = v.site_id
            WHERE o.number = %s AND v.recorded_at <= %s
            AND v.kind IN ('medical', 'induction', 'familiarisation', 'refresher', 'recall')""",
            [operator, AT],
        )
        rows += cursor.fetchall()
    return rows


MODEL = """
[request_definition]
r = sub, obj, act
[policy_definition]
p = sub, obj, act
[role_definition]
g = _, _
[policy_effect]
e = some(where (p.eft == allow))
[matchers]
m = g(r.sub, p.sub) && r.obj == p.obj && r.act == p.act
"""


def measure_library() -> float:
    """Seconds, median: one yes or no from a general access-control library, in memory, without reasons."""
    model = casbin.Model()
    model.load_model_from_text(MODEL)
    enforcer = casbin.Enforcer(model)
    enforcer.add_policies([[f"OP-{n}", f"category-{n % 10}", "operate"] for n in range(5_000)])
    enforcer.enforce("OP-1", "category-1", "operate")
    return median(
        _timed(enforcer.enforce, f"OP-{n}", f"category-{n % 10}", "operate") for n in range(0, 5_000, 250)
    )


def _timed(call: Callable[..., Any], *arguments: Any) -> float:
    started = perf_counter()
    call(*arguments)
    return perf_counter() - started
