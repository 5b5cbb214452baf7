"""The auditor's samples from a terminal."""

import json
from argparse import ArgumentParser
from datetime import date, timedelta
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management.base import BaseCommand

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.samples import draw_sample
from competence.forms.moments import NotAMoment, moment_in
from competence.forms.samples import SEED
from competence.management.questions import account_named, not_understood, row_named
from competence.models import Account, Category, Sample, Site
from competence.queries.sample_populations import POPULATIONS, SampleAsked, population_named
from competence.queries.samples import plan_sample
from competence.rules.dates import first_moment
from competence.rules.sampling import CannotSample, smallest_sample, tolerable_faults
from competence.rules.sampling_plans import plan_for
from competence.rules.sampling_words import Aim, Noun, size_sentences

RECORD = Noun("record", "records")


class Command(BaseCommand):
    help = (
        "How many records a sample takes, and the draw. --population is a number, which needs --size-only "
        "and no database, or one of the register's populations. A draw is kept and journalled like one on "
        "screen, in the name of --by. Exit: 0 done, 2 not understood."
    )
    # The size of a sample of so many records needs no database.
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        kinds = ", ".join(one.code for one in POPULATIONS)
        parser.add_argument("--population", required=True, metavar="P", help=f"a number, or {kinds}")
        parser.add_argument("--rate", metavar="SHARE", help="tolerable rate of faults, such as 0.02")
        parser.add_argument("--confidence", default="0.95", metavar="SHARE", help="0.5 to 0.999; 0.95")
        parser.add_argument("--allowed", type=int, default=0, choices=(0, 1, 2), help="faults allowed in it")
        parser.add_argument("--aql", metavar="PERCENT", help="a plan of ISO 2859-1 in the place of --rate")
        parser.add_argument("--at", metavar="MOMENT", help="for tickets and operators; else now")
        parser.add_argument("--first", metavar="DAY", help="for what happened between two days")
        parser.add_argument("--last", metavar="DAY")
        parser.add_argument("--site", metavar="CODE", help="only this one; moments are read on its clock")
        parser.add_argument("--category", metavar="CODE", help="only this one")
        parser.add_argument("--by-site", action="store_true", help="draw from each site by itself")
        parser.add_argument("--seed", default="", metavar="S", help="without one, the register makes one up")
        parser.add_argument("--by", metavar="USERNAME", help="in whose name it is drawn")
        parser.add_argument("--size-only", action="store_true", help="draw nothing")
        parser.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, *, population: str, **options: Any) -> None:
        try:
            if population.isascii() and population.isdecimal():
                self._tell_size(_aim_of_number(int(population), options), options)
                return
            asked = _asked(population, options)
            if options["size_only"]:
                self._tell_size(plan_sample(asked, now()).aim, options)
                return
            sample = draw_sample(by=_account(options["by"]), asked=asked)
        except (CannotSample, NotAMoment, PermissionDenied) as problem:
            raise not_understood(str(problem)) from problem
        except ActionRefused as refused:
            raise not_understood(refused.sentence) from refused
        except ValidationError as invalid:
            raise not_understood(" ".join(invalid.messages)) from invalid
        self._tell_draw(sample, options)

    def _tell_size(self, aim: Aim, options: dict[str, Any]) -> None:
        if options["json"]:
            self.stdout.write(json.dumps(_plain(aim), indent=2))
            return
        for sentence in size_sentences(aim):
            self.stdout.write(sentence)

    def _tell_draw(self, sample: Sample, options: dict[str, Any]) -> None:
        items = list(sample.items.order_by("position"))
        if options["json"]:
            told = {
                "sample": sample.pk,
                "seed": sample.seed,
                "population": sample.population_size,
                "size": sample.size,
                "allowed": sample.allowed,
                "items": [{"key": one.key, "site": one.stratum, "words": one.words} for one in items],
            }
            self.stdout.write(json.dumps(told, indent=2, ensure_ascii=False))
            return
        self.stdout.write(
            f"Sample {sample.pk}: {sample.size} of {sample.population_size}, seed {sample.seed}."
        )
        for one in items:
            self.stdout.write(f"{one.position:>4}  {one.key}  {one.words}")


def _aim_of_number(population: int, options: dict[str, Any]) -> Aim:
    if not options["size_only"]:
        raise not_understood("From a number nothing can be drawn: add --size-only, or name a population.")
    confidence, aql = Fraction(_share(options, "confidence")), options["aql"]
    if aql is not None:
        plan = plan_for(population, _decimal("aql", aql))
        level = f"{_decimal('aql', aql):.1f}"
        return Aim(RECORD, population, plan.size, plan.accept, confidence, letter=plan.letter, level=level)
    rate, allowed = Fraction(_share(options, "rate")), options["allowed"]
    tolerable = tolerable_faults(population, rate)
    size = smallest_sample(population, tolerable, confidence, allowed)
    return Aim(RECORD, population, size, allowed, confidence, rate, tolerable)


def _asked(code: str, options: dict[str, Any]) -> SampleAsked:
    population = population_named(code)
    site = row_named(Site, "code", options["site"]) if options["site"] else None
    if site and options["by_site"]:
        raise not_understood("--by-site is for every site, and --site names one.")
    if options["seed"] and not SEED.regex.search(options["seed"]):
        raise not_understood(f"--seed: {SEED.message}")
    zone, is_plan = ZoneInfo(site.zone if site else "UTC"), options["aql"] is not None
    first, last = (None, None) if population.is_state else (_day(options, "first"), _day(options, "last"))
    if first and last and last < first:
        raise not_understood("--last is before --first.")
    return SampleAsked(
        of=code,
        site=site,
        category=row_named(Category, "code", options["category"]) if options["category"] else None,
        at=moment_in(options["at"], zone) if population.is_state and options["at"] else None,
        first_moment=first_moment(first, zone) if first else None,
        before=first_moment(last + timedelta(days=1), zone) if last else None,
        basis=Sample.Basis.PLAN if is_plan else Sample.Basis.RATE,
        confidence=_share(options, "confidence"),
        rate=None if is_plan else _share(options, "rate"),
        allowed=options["allowed"],
        level=_decimal("aql", options["aql"]) if is_plan else None,
        is_by_site=options["by_site"],
        seed=options["seed"],
    )


def _day(options: dict[str, Any], name: str) -> date:
    try:
        return date.fromisoformat(options[name] or "")
    except ValueError:
        raise not_understood(f"These records take --first and --last, as 2026-03-01: see --{name}.") from None


def _share(options: dict[str, Any], name: str) -> Decimal:
    """A share with as many places as a sample keeps."""
    if options[name] is None:
        raise not_understood(f"--{name} is missing: a share such as 0.02.")
    share = _decimal(name, options[name])
    if not 0 < share < 1:
        raise not_understood(f"--{name} is a share between 0 and 1, such as 0.02 for 2 %.")
    return share


def _decimal(name: str, text: str) -> Decimal:
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise not_understood(f"--{name}: “{text}” is not a number.") from None
    if not number.is_finite():
        raise not_understood(f"--{name}: “{text}” is not a number.")
    return number


def _account(username: str | None) -> Account:
    if not username:
        raise not_understood("A draw is kept in somebody's name: say whose with --by, or add --size-only.")
    return account_named(username)


def _plain(aim: Aim) -> dict[str, Any]:
    return {
        "population": aim.population,
        "size": aim.size,
        "allowed": aim.allowed,
        "confidence": float(aim.confidence),
        "rate": None if aim.rate is None else float(aim.rate),
        "tolerable": aim.tolerable,
        "letter": aim.letter,
    }
