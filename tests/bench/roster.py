"""A whole site's roster: every operator against every machine, with all reasons."""

from dataclasses import dataclass
from time import perf_counter

from competence.models import Site
from competence.queries.roster import site_roster
from competence.rules.roster import decide_roster
from tests.bench.register import AT


@dataclass(frozen=True)
class RosterSpeed:
    people: int
    machines: int
    allowed: int
    load_seconds: float
    decide_seconds: float

    @property
    def verdicts(self) -> int:
        return self.people * self.machines

    @property
    def per_second(self) -> float:
        return self.verdicts / self.decide_seconds

    def line(self) -> str:
        whole = self.verdicts / (self.load_seconds + self.decide_seconds)
        return (
            f"roster of {self.people:,} operators x {self.machines} machines: {self.verdicts:,} verdicts, "
            f"{self.allowed:,} allowed; facts read in {self.load_seconds:.2f} s, decided in "
            f"{self.decide_seconds:.2f} s = {self.per_second:,.0f} a second ({whole:,.0f} with the reading)"
        )


def measure() -> RosterSpeed:
    """The best of three, each from the facts as read from the database."""
    started = perf_counter()
    people, machines = site_roster(Site.objects.get(code="S0"), at=AT, known_at=AT)
    load = perf_counter() - started
    spent = []
    for _ in range(3):
        started = perf_counter()
        allowed = sum(
            verdict.is_allowed for _, verdicts in decide_roster(people, machines, AT) for verdict in verdicts
        )
        spent.append(perf_counter() - started)
    return RosterSpeed(len(people), len(machines), allowed, load, min(spent))
