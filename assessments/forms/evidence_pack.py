"""Asking for an evidence pack: of whom, and for an incident on which machine and when."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms

from assessments.queries.evidence_pack import PackAsked
from competence.actions.clock import now
from competence.forms.moments import NotAMoment, moment_in, moment_where_it_stood
from competence.forms.plant import NumberField
from competence.forms.record_form import RecordForm
from competence.models import Account, Machine, Operator, Site
from competence.permissions import Right, may, sites_with


class CannotTell(ValueError):
    """No pack can be made of what was asked; its text is a sentence for the screen, about ``field``."""

    def __init__(self, field: str, sentence: str) -> None:
        super().__init__(sentence)
        self.field = field


def pack_asked(
    by: Account,
    *,
    operator: str,
    machine: str = "",
    at: str = "",
    known_at: str = "",
    takes_first: bool = False,
) -> tuple[PackAsked, Site]:
    """What is asked for in words, and the site by whose rights. Moments without an offset are on the clock of
    the site where the machine stood then, or of the operator's home site. At most four statements.

    Raises ``CannotTell`` for a number that is unknown, a moment that is none or still to come, and for what
    belongs to no site of which ``by`` may take anything out.
    """
    person = Operator.objects.with_state().filter(number=operator.upper()).first()
    if person is None:
        raise CannotTell("operator", f"Nobody with the number {operator} is on the register.")
    moment, allowed = now(), sites_with(by, Right.TAKE_OUT)
    with_person = may(by, Right.TAKE_OUT, site=person.site)
    if not machine:
        if not with_person:
            raise CannotTell("operator", f"{person} belongs to {person.site.name}, which is not your site.")
        told = _moment("at", at, person.site, moment, takes_first)
        known = _moment("known_at", known_at, person.site, moment, takes_first)
        return PackAsked(person, person.site, told, known, moment, allowed), person.site
    found = Machine.objects.with_state().filter(fleet_number=machine.upper()).first()
    if found is None:
        raise CannotTell("machine", f"No machine with the fleet number {machine} is on the register.")
    told, clock = _incident(at, found, moment, takes_first)
    known = _moment("known_at", known_at, clock, moment, takes_first)
    noted = next((site for site in (clock, found.site) if may(by, Right.TAKE_OUT, site=site)), None)
    if noted is None:
        raise CannotTell("machine", f"{found.fleet_number} stood at {clock.name}, which is not your site.")
    asked = PackAsked(person, clock, told, known, moment, allowed, machine=found, with_person=with_person)
    return asked, noted


def _incident(at: str, machine: Machine, moment: datetime, takes_first: bool) -> tuple[datetime, Site]:
    if not at:
        raise CannotTell("at", "An incident has a moment: say when it was.")
    try:
        told, clock = moment_where_it_stood(at, machine, takes_first=takes_first)
    except NotAMoment as error:
        raise CannotTell("at", str(error)) from error
    return _not_to_come("at", told, moment), clock


def _moment(field: str, text: str, site: Site, moment: datetime, takes_first: bool) -> datetime:
    if not text:
        return moment
    try:
        told = moment_in(text, ZoneInfo(site.zone), takes_first=takes_first)
    except NotAMoment as error:
        raise CannotTell(field, str(error)) from error
    return _not_to_come(field, told, moment)


def _not_to_come(field: str, told: datetime, moment: datetime) -> datetime:
    if told > moment:
        raise CannotTell(
            field, "This is still to come: there is no evidence of it yet. Choose now or earlier."
        )
    return told


class EvidencePackForm(RecordForm):
    """A person; and for an incident a machine and a moment."""

    operator = NumberField(label="Operator number")
    machine = NumberField(
        label="Fleet number", required=False, help_text="Only for an incident: the machine that it was on."
    )
    at = forms.CharField(
        label="At",
        required=False,
        max_length=40,
        help_text=(
            "Of an incident: when it was, on the clock where the machine stood. Of a person: as of when, "
            "on the clock of their home site; empty is now."
        ),
        widget=forms.TextInput(attrs={"type": "datetime-local"}),
    )
    known_at = forms.CharField(
        label="As the register knew it at",
        required=False,
        max_length=40,
        help_text="Leaves out what was written down later. Empty: everything known now.",
        widget=forms.TextInput(attrs={"type": "datetime-local"}),
    )

    def __init__(self, *args: Any, account: Account, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._account = account
        self.asked: PackAsked | None = None
        self.noted_site: Site | None = None
        for name in ("at", "known_at"):
            # A browser's field for local moments would drop an offset, which says which of two is meant.
            if _has_offset(str(self.data.get(name, ""))):
                self.fields[name].widget = forms.TextInput()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean()
        if not self.errors:
            try:
                self.asked, self.noted_site = pack_asked(self._account, takes_first=True, **cleaned)
            except CannotTell as refused:
                self.add_error(refused.field, str(refused))
        return cleaned


def _has_offset(text: str) -> bool:
    try:
        return datetime.fromisoformat(text.strip()).tzinfo is not None
    except ValueError:
        return False
