"""How heavy a register is: so many operators and machines to a site, findings to a check."""

from dataclasses import dataclass

OPERATORS_A_SITE = 100
MACHINES_A_SITE = 20
CATEGORIES = 10
POINTS = 45
TICKETS_EACH = 5
EVIDENCE_EACH = 8
DAYS = 400


@dataclass(frozen=True)
class Size:
    """Two sizes differ in the number of sites only: what one site sees is the same in both."""

    sites: int
    checks: int
    operators_a_site: int = OPERATORS_A_SITE

    @property
    def operators(self) -> int:
        return self.sites * self.operators_a_site

    @property
    def machines(self) -> int:
        return self.sites * MACHINES_A_SITE

    @property
    def findings(self) -> int:
        return self.checks * POINTS

    def __str__(self) -> str:
        return f"{self.operators:,} operators, {self.sites} sites, {self.findings:,} findings"


FULL = (Size(2, 1_112), Size(20, 11_120), Size(200, 111_200))
SMALL = (Size(2, 40, 20), Size(20, 400, 20))
