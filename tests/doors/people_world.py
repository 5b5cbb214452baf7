"""A site with a trainer, a site admin, an auditor and an operator with a ticket; and a site beside it."""

from types import SimpleNamespace

from tests.factories import (
    AccountFactory,
    CategoryFactory,
    EvidenceFactory,
    OperatorFactory,
    SiteFactory,
    TicketFactory,
    plain_standard,
)


def people_world(**standard) -> SimpleNamespace:
    site, other_site = (
        SiteFactory(code="HOME", name="Home Quarry"),
        SiteFactory(code="OTHER", name="Other Quarry"),
    )
    category = CategoryFactory(code="dumper", name="Dumper")
    operator = OperatorFactory(number="OP1", given_name="Ada", family_name="Ashworth", site=site)
    ticket = TicketFactory(number="OP1-1", operator=operator, category=category)
    return SimpleNamespace(
        site=site,
        other_site=other_site,
        category=category,
        standard=plain_standard(category, **standard),
        operator=operator,
        operator_account=AccountFactory(operator=operator),
        ticket=ticket,
        event=ticket.events.get(),
        evidence=EvidenceFactory(operator=operator, kind="medical"),
        newcomer=OperatorFactory(number="OP2", given_name="Bram", family_name="Bellamy", site=site),
        trainer=AccountFactory(roles=[("trainer", site)]),
        site_admin=AccountFactory(roles=[("site_admin", site)]),
        auditor=AccountFactory(roles=[("auditor", site)]),
        far_trainer=AccountFactory(roles=[("trainer", other_site)]),
        far_admin=AccountFactory(roles=[("site_admin", other_site)]),
        head=AccountFactory(roles=["site_admin"]),
        head_trainer=AccountFactory(roles=["trainer"]),
    )
