"""The invented scenario: firms, people, plant and three years of history, written through the actions.

Each step happens at its own moment, in order of time, so that what the register says of the past is what it
would say had it been kept all along. Nothing of this may be loaded into a register in earnest.
"""

import heapq
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction

from competence.actions.appointments import appoint
from competence.actions.clock import as_if_at
from competence.actions.errors import ActionRefused
from competence.actions.journal import record, seal
from competence.actions.people import give_role, open_account
from competence.actions.plant import change_machine, enter_machine
from competence.actions.setup import keep_setup
from competence.inputs.offsets import Almanac, BadOffset
from competence.inputs.reference import UnreadableContent, load_reference
from competence.models import (
    Account,
    Category,
    Employer,
    Feature,
    JournalEntry,
    Machine,
    MinimumCover,
    Operator,
    Site,
)

SCENARIO = settings.BASE_DIR / "fixtures" / "scenario"
# The journal's first entry in a register that holds the scenario, and in no other.
MARK = "demo.begun"
# The last entry that the demo itself writes: what comes after it, somebody did who used the register.
END_MARK = "demo.ended"

# What keeps a step from being taken, as against a fault of the program.
CANNOT = (ActionRefused, PermissionDenied, ValidationError, KeyError, BadOffset, UnreadableContent)

Step = Callable[[], None]


class UntrueScenario(ValueError):
    """The scenario says something that the register will not do; the text says what and when."""


@dataclass
class Register:
    """What has been entered so far, by the names that the scenario uses."""

    accounts: dict[str, Account] = field(default_factory=dict)
    sites: dict[str, Site] = field(default_factory=dict)
    employers: dict[str, Employer] = field(default_factory=dict)
    categories: dict[str, Category] = field(default_factory=dict)
    features: dict[str, Feature] = field(default_factory=dict)
    operators: dict[str, Operator] = field(default_factory=dict)
    machines: dict[str, Machine] = field(default_factory=dict)


class Timetable:
    """Steps in order of time; those of one moment in the order in which they were added. A step may add
    later ones."""

    def __init__(self) -> None:
        self._steps: list[tuple[datetime, int, str, Step]] = []
        self._numbers = count()

    def add(self, moment: datetime, what: str, step: Step) -> None:
        heapq.heappush(self._steps, (moment, next(self._numbers), what, step))

    def run(self, until: datetime) -> int:
        done = 0
        while self._steps:
            moment, _, what, step = heapq.heappop(self._steps)
            if moment > until:
                raise UntrueScenario(f"{what} is at {moment:%Y-%m-%d %H:%M} UTC, which is still to come.")
            with as_if_at(moment):
                try:
                    step()
                except CANNOT as problem:
                    said = " ".join(getattr(problem, "messages", [str(problem)]))
                    raise UntrueScenario(f"{what}, {moment:%Y-%m-%d %H:%M} UTC: {said}") from problem
            done += 1
        return done


def read_scenario(folder: Path = SCENARIO) -> dict[str, list[dict[str, Any]]]:
    """Every table of every file, in the order of the file names."""
    tables: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for path in sorted(folder.glob("*.toml")):
        for table, lines in tomllib.loads(path.read_text()).items():
            tables[table] += lines
    return tables


def usernames(content: dict[str, list[dict[str, Any]]]) -> set[str]:
    """Everybody whom the scenario lets sign in."""
    return {line["username"] for line in content["account"]} | {
        line["number"].lower() for line in content["operator"] if line.get("signs_in", True)
    }


def is_scenarios_own() -> bool:
    """Whether this database was made by the demo: its journal begins with the scenario's mark. One
    statement."""
    first = JournalEntry.objects.order_by("pk").first()
    return first is not None and first.action == MARK


def is_used(content: dict[str, list[dict[str, Any]]]) -> bool:
    """Whether somebody has worked in the scenario's database since the demo made it, or can sign in who is
    none of its people. A demo that was broken off half-way was used by nobody. At most three statements."""
    if Account.objects.exclude(username__in=usernames(content)).exists():
        return True
    ended = JournalEntry.objects.filter(action=END_MARK).order_by("pk").first()
    return ended is not None and JournalEntry.objects.filter(pk__gt=ended.pk).exists()


@transaction.atomic
def end_demo() -> None:
    """Mark where the demo's own entries end, and seal them."""
    record(
        by=None, action=END_MARK, rows=[], reason="What comes after this was done by whoever used the demo"
    )
    transaction.on_commit(seal)


class Scenario:
    """One loading of the scenario into an empty register; ``scenario_history`` puts its parts in order."""

    def __init__(self, *, opened_at: datetime, password: str, folder: Path = SCENARIO) -> None:
        self.content = read_scenario(folder)
        self.almanac = Almanac(opened_at)
        self.password = password
        self.register = Register()
        self.timetable = Timetable()
        self.begins_at = self.almanac.moment(self.content["history"][0]["begins"], "UTC", "06:00")

    def zone_of(self, site: str) -> str:
        return next(line["zone"] for line in self.content["site"] if line["code"] == site)

    def site_line(self, site: str) -> dict[str, Any]:
        return next(line for line in self.content["site"] if line["code"] == site)

    def who(self, site: str, task: str) -> Account:
        """Who does a task at a site: its ``admin``, ``assessor`` or ``issuer``."""
        return self.register.accounts[self.site_line(site)[task]]

    @property
    def keeper(self) -> Account:
        """The first account, which set the register up."""
        return self.register.accounts[self.content["account"][0]["username"]]

    def reading(self, fleet_number: str, moment: datetime) -> float:
        """The hour meter of a machine that has run evenly since the history began."""
        line = next(line for line in self.content["machine"] if line["fleet_number"] == fleet_number)
        days = (moment - self.begins_at) / timedelta(days=1)
        return round(line["hour_meter"] + line["hours_a_day"] * days, 1)

    def begin(self) -> None:
        record(by=None, action=MARK, rows=[], reason="An invented scenario: nobody and nothing in it is real")
        self._open_accounts(self.content["account"][:1])
        load_reference(by=self.keeper, no_later_than=self.begins_at.date())
        self.register.categories = {row.code: row for row in Category.objects.all()}
        self.register.features = {row.code: row for row in Feature.objects.all()}
        for line in self.content["employer"]:
            self.register.employers[line["name"]] = self._keep(Employer(name=line["name"]))
        for line in self.content["site"]:
            columns = {name: line[name] for name in ("code", "name", "zone", "latitude", "longitude")}
            self.register.sites[line["code"]] = self._keep(Site(**columns))
        for line in self.content["minimum"]:
            site, category = self.register.sites[line["site"]], self.register.categories[line["category"]]
            self._keep(MinimumCover(site=site, category=category, operators=line["operators"]))
        self._open_accounts(self.content["account"][1:])
        for line in self.content["appointment"]:
            self._appoint(line)

    def _keep(self, row: Any) -> Any:
        return keep_setup(by=self.keeper, row=row)

    def _open_accounts(self, lines: Iterable[dict[str, Any]]) -> None:
        for line in lines:
            is_first = not self.register.accounts
            by = None if is_first else self.keeper
            account = open_account(
                by=by,
                username=line["username"],
                password=self.password,
                given_name=line["given_name"],
                family_name=line["family_name"],
                phone=line.get("phone", ""),
            )
            self.register.accounts[account.username] = account
            places = [self.register.sites[code] for code in line["sites"]] if "sites" in line else [None]
            for name in line["roles"]:
                for site in places:
                    give_role(by=by, account=account, name=name, site=site)

    def _appoint(self, line: dict[str, Any]) -> None:
        codes = line.get("categories") or sorted(self.register.categories)
        for code in codes:
            appoint(
                by=self.keeper,
                account=self.register.accounts[line["account"]],
                category=self.register.categories[code],
                first_day=self.almanac.day(line["first_day"], "UTC"),
                last_day=self.almanac.day(line["last_day"], "UTC"),
                duties=line["duties"],
            )

    def plan_plant(self) -> None:
        for line in self.content["machine"]:
            moment = self.almanac.moment(line["entered"], self.zone_of(line["site"]), "09:00")
            self.timetable.add(
                moment, f"Machine {line['fleet_number']}", lambda line=line: self._enter_machine(line)
            )
            for change in line.get("change", ()):
                moment = self.almanac.moment(change["at"], self.zone_of(line["site"]), "16:30")
                self.timetable.add(
                    moment,
                    f"A change to {line['fleet_number']}",
                    lambda line=line, change=change: self._change_machine(line | change),
                )

    def _machine_columns(self, line: dict[str, Any]) -> dict[str, Any]:
        return {
            "make_and_model": line["make_and_model"],
            "category": self.register.categories[line["category"]],
            "site": self.register.sites[line["site"]],
            "operating_mass_kg": line["operating_mass_kg"],
            "features": [self.register.features[code] for code in line.get("features", ())],
        }

    def _enter_machine(self, line: dict[str, Any]) -> None:
        self.register.machines[line["fleet_number"]] = enter_machine(
            by=self.who(line["site"], "admin"),
            fleet_number=line["fleet_number"],
            serial_number=line.get("serial_number", ""),
            **self._machine_columns(line),
        )

    def _change_machine(self, line: dict[str, Any]) -> None:
        number = line["fleet_number"]
        self.register.machines[number] = change_machine(
            by=self.who(line["site"], "admin"),
            machine=self.register.machines[number],
            is_in_service=line.get("is_in_service", True),
            reason=line["reason"],
            **self._machine_columns(line),
        )
