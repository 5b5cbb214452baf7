"""Entering and changing operators, accounts and roles."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model

from competence.actions.clock import now
from competence.actions.errors import SAYS_SO_ALREADY, ActionRefused
from competence.actions.journal import record
from competence.models import Account, Employer, Operator, OperatorState, Role, Site
from competence.permissions import Right, require, require_where
from competence.queries.erasing import erased_among
from competence.rules.dates import OLDEST_YEARS, add_months, day_at


@transaction.atomic
def enter_operator(
    *,
    by: Account,
    number: str,
    given_name: str,
    family_name: str,
    employer: Employer,
    site: Site,
    started_on: date,
) -> Operator:
    """Put a person on the register."""
    require(by, Right.KEEP_PEOPLE, site=site)
    _refuse_start_out_of_reach(site, started_on)
    if Operator.objects.filter(number=number).exists():
        raise ActionRefused(f"Operator number {number} is taken.", field="number")
    operator = Operator(number=number, given_name=given_name, family_name=family_name, started_on=started_on)
    operator.full_clean(exclude=["state"])
    operator.save()
    state = _add_state(operator, employer, site, is_active=True, reason="Entered on the register")
    record(by=by, action="operator.entered", rows=[operator, state])
    return operator


@transaction.atomic
def change_operator(
    *,
    by: Account,
    operator: Operator,
    employer: Employer,
    site: Site,
    is_active: bool,
    reason: str,
    effective_at: datetime | None = None,
) -> Operator:
    """Move a person to another site or firm, or make their entry inactive or active again.

    Leaving closes the account too: one act, so that the two never differ. Who left before something that
    was entered since, and says that they are here, has left now as well: nobody is let to a machine because
    an office was late.
    """
    operator = Operator.objects.select_for_update().get(pk=operator.pk)
    require(by, Right.KEEP_PEOPLE, site=operator.site)
    require(by, Right.KEEP_PEOPLE, site=site)
    refuse_erased(operator)
    moment = now()
    if effective_at is not None and effective_at > moment:
        raise ActionRefused("A change takes effect no later than now.", field="effective_at")
    _refuse_same(operator, employer, site, is_active, effective_at)
    state = _add_state(
        operator, employer, site, is_active=is_active, reason=reason, effective_at=effective_at
    )
    rows = [operator, state]
    if not is_active and operator.state.is_active:
        here = operator.state
        rows.append(_add_state(operator, here.employer, here.site, is_active=False, reason=reason))
    account = Account.objects.filter(operator=operator).first()
    # The newest state decides: a change entered late, from before a leaving, must not open the account again.
    if account is not None and account.is_active != operator.state.is_active:
        account.is_active = operator.state.is_active
        account.save(update_fields=["is_active"])
        rows.append(account)
    record(by=by, action="operator.changed", rows=rows, reason=reason)
    return operator


@transaction.atomic
def correct_operator(
    *, by: Account, operator: Operator, given_name: str, family_name: str, started_on: date, reason: str
) -> Operator:
    """Put right a name or a first day that was entered wrongly."""
    operator = Operator.objects.select_for_update().get(pk=operator.pk)
    require(by, Right.KEEP_PEOPLE, site=operator.site)
    refuse_erased(operator)
    if started_on != operator.started_on:
        _refuse_start_out_of_reach(operator.site, started_on)
    told = (given_name, family_name, started_on)
    if told == (operator.given_name, operator.family_name, operator.started_on):
        raise ActionRefused(SAYS_SO_ALREADY)
    operator.given_name, operator.family_name, operator.started_on = given_name, family_name, started_on
    operator.full_clean(exclude=["state"])
    operator.save()
    record(by=by, action="operator.corrected", rows=[operator], reason=reason)
    return operator


def refuse_erased(*operators: Operator) -> None:
    """Nobody is called back under what is left of an entry that was erased, and nothing more is written
    about it. One statement."""
    if erased_among(operators):
        raise ActionRefused(
            "This person was erased, and the entry stands for nobody any more. Somebody who comes back is "
            "entered anew."
        )


def _refuse_start_out_of_reach(site: Site, started_on: date) -> None:
    """A first day a lifetime ago, or more than a year ahead, is a slip of the pen."""
    today = day_at(now(), ZoneInfo(site.zone))
    if started_on > add_months(today, 12):
        raise ActionRefused("That first day is more than a year ahead.", field="started_on")
    if started_on < add_months(today, -12 * OLDEST_YEARS):
        raise ActionRefused(f"That first day is more than {OLDEST_YEARS} years ago.", field="started_on")


def _refuse_same(
    operator: Operator, employer: Employer, site: Site, is_active: bool, effective_at: datetime | None
) -> None:
    """A change says something else than the state in force at its moment."""
    moment = effective_at or now()
    before = (
        operator.states.filter(effective_at__lte=moment)
        .order_by("-effective_at", "-recorded_at", "-pk")
        .first()
    )
    if before and (before.employer_id, before.site_id, before.is_active) == (employer.pk, site.pk, is_active):
        raise ActionRefused(SAYS_SO_ALREADY)


def _add_state(
    operator: Operator,
    employer: Employer,
    site: Site,
    *,
    is_active: bool,
    reason: str,
    effective_at: datetime | None = None,
) -> OperatorState:
    moment = now()
    state = OperatorState.objects.create(
        operator=operator,
        effective_at=effective_at or moment,
        recorded_at=moment,
        is_active=is_active,
        employer=employer,
        site=site,
        reason=reason,
    )
    operator.state = operator.states.order_by("-effective_at", "-recorded_at", "-pk")[0]
    operator.save(update_fields=["state"])
    return state


@transaction.atomic
def open_account(
    *,
    by: Account | None,
    username: str,
    password: str,
    given_name: str = "",
    family_name: str = "",
    email: str = "",
    phone: str = "",
    operator: Operator | None = None,
) -> Account:
    """Let somebody sign in. ``by`` may be ``None`` for the first account of a new register only.

    An operator's account comes with the operator's role at their home site.
    """
    if by is None:
        if Account.objects.exists():
            raise ActionRefused("The register has accounts already; a site admin opens the next one.")
    elif operator is not None:
        require(by, Right.KEEP_PEOPLE, site=operator.site)
    else:
        require(by, Right.KEEP_PEOPLE)
    username = username.strip()
    if username.lower() == "new" or Account.objects.filter(username__iexact=username).exists():
        raise ActionRefused(f"The name {username} is taken.", field="username")
    if operator is not None:
        refuse_erased(operator)
    if operator is not None and Account.objects.filter(operator=operator).exists():
        raise ActionRefused(f"{operator.name} has an account already.")
    account = Account(
        username=username,
        first_name=given_name or (operator.given_name if operator else ""),
        last_name=family_name or (operator.family_name if operator else ""),
        email=email,
        phone=phone,
        operator=operator,
    )
    _give_password(account, password)
    account.full_clean(exclude=["password"])
    account.save()
    rows: list[Model] = [account]
    if operator is not None:
        rows.append(Role.objects.create(account=account, name=Role.Name.OPERATOR, site=operator.site))
    record(by=by, action="account.opened", rows=rows)
    return account


@transaction.atomic
def set_password(*, by: Account, account: Account, password: str) -> Account:
    """Give a new password, one's own or another's; it is never journalled, and ends every other sign-in."""
    account = Account.objects.select_for_update(of=("self",)).get(pk=account.pk)
    if by.pk != account.pk:
        require_keeper(by, account)
    _give_password(account, password)
    account.save(update_fields=["password"])
    record(by=by, action="account.password_set", rows=[account])
    return account


@transaction.atomic
def keep_contact(
    *, by: Account, account: Account, phone: str, email: str, declines_mail: bool | None = None
) -> Account:
    """Change how somebody is reached: the phone number is shown to operators who are stopped, and to the
    address goes what concerns them, unless they decline; ``None`` leaves that as it was."""
    account = Account.objects.select_for_update(of=("self",)).get(pk=account.pk)
    if by.pk != account.pk:
        require_keeper(by, account)
    account.phone, account.email = phone, email
    if declines_mail is not None and declines_mail != (account.mail_declined_at is not None):
        account.mail_declined_at = now() if declines_mail else None
    account.full_clean(exclude=["password"])
    account.save(update_fields=["phone", "email", "mail_declined_at"])
    record(by=by, action="account.contact_kept", rows=[account])
    return account


def _give_password(account: Account, password: str) -> None:
    try:
        validate_password(password, account)
    except ValidationError as problem:
        raise ActionRefused(" ".join(problem.messages), field="password") from problem
    account.set_password(password)


def require_keeper(by: Account, account: Account) -> None:
    """Who may sign in as somebody could do what they may do: so it takes their every site."""
    require(by, Right.KEEP_PEOPLE)
    roles = account.roles.filter(ended_at=None).select_related("site")
    sites = {role.site for role in roles} | ({account.operator.site} if account.operator else set())
    for site in sites:
        require_where(by, Right.KEEP_PEOPLE, site)


@transaction.atomic
def give_role(*, by: Account | None, account: Account, name: str, site: Site | None) -> Role:
    """Give a role at a site, or (no site) at every site; ``by`` is ``None`` for the first account only.

    Nobody hands out more than they hold: a role for every site takes a role for every site. Nobody gives one
    to themself: who keeps accounts would else be a trainer in two taps, and decide on tickets.
    """
    if by is None:
        if Role.objects.exclude(account=account).exists():
            raise ActionRefused("Only the first account of a register is given its roles by nobody.")
    else:
        require_where(by, Right.KEEP_PEOPLE, site)
        if account.pk == by.pk:
            raise ActionRefused("Nobody gives themself a role; ask another site admin.", field="name")
    # The account's row is the lock, so that two who give the same role do not both find it free.
    Account.objects.select_for_update(of=("self",)).get(pk=account.pk)
    if name == Role.Name.OPERATOR and account.operator_id is None:
        raise ActionRefused("An operator's account points to their entry on the register.", field="name")
    if Role.objects.filter(account=account, name=name, site=site, ended_at=None).exists():
        raise ActionRefused("The account holds that role there already.", field="name")
    role = Role.objects.create(account=account, name=name, site=site)
    record(by=by, action="role.given", rows=[role])
    account.__dict__.pop("held_roles", None)
    return role


@transaction.atomic
def end_role(*, by: Account, role: Role, reason: str) -> Role:
    """Take a role away from now on. Nobody ends their own, so that the last site admin cannot go."""
    role = Role.objects.select_for_update().get(pk=role.pk)
    require_where(by, Right.KEEP_PEOPLE, role.site)
    if role.account_id == by.pk:
        raise ActionRefused("Nobody ends their own role; ask another site admin.")
    if role.ended_at is None:
        role.ended_at = now()
        role.save(update_fields=["ended_at"])
        record(by=by, action="role.ended", rows=[role], reason=reason)
    return role
