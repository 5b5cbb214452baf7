"""Sites to choose from."""

from django.db.models import QuerySet

from competence.models import Site


def sites_for(site_ids: frozenset[int] | None) -> QuerySet[Site]:
    """The sites to choose from, by name; ``None`` means every site."""
    sites = Site.objects.order_by("name")
    return sites if site_ids is None else sites.filter(pk__in=site_ids)
