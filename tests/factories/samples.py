"""Samples, what was drawn into them, and what was found of it."""

import factory

from competence.models import Sample, SampledItem, SampleResult, SampleVerdict

from .base import RowFactory, at_ago
from .people import SiteFactory


class SampleFactory(RowFactory):
    """Two of three tickets at one site, with no fault allowed; nothing is drawn into it yet."""

    class Meta:
        model = Sample

    of = "tickets"
    site = factory.SubFactory(SiteFactory)
    at = at_ago(0)
    basis = "rate"
    confidence = "0.500"
    rate = "0.50000"
    allowed = 0
    seed = "4711"
    size = 2
    population_size = 3
    population = factory.LazyAttribute(lambda row: {row.site.name: ["T00001", "T00002", "T00003"]})
    drawn_at = at_ago(0)
    drawn_by = factory.SubFactory("tests.factories.AccountFactory", roles=["auditor"])


class SampledItemFactory(RowFactory):
    class Meta:
        model = SampledItem

    sample = factory.SubFactory(SampleFactory)
    position = factory.Sequence(lambda n: n + 1)
    key = factory.Sequence(lambda n: f"T9{n:04}")
    stratum = factory.LazyAttribute(lambda row: row.sample.site.name)
    words = "A ticket for a dumper"
    about = factory.SelfAttribute("key")


class SampleVerdictFactory(RowFactory):
    class Meta:
        model = SampleVerdict

    item = factory.SubFactory(SampledItemFactory)
    found = "fault"
    note = "No assessment stands behind it."
    at = at_ago(0)
    by = factory.SubFactory("tests.factories.AccountFactory", roles=["auditor"])


class SampleResultFactory(RowFactory):
    class Meta:
        model = SampleResult

    sample = factory.SubFactory(SampleFactory)
    met = 2
    fault = 0
    cannot_tell = 0
    unanswered = 0
    headline = "Shown."
    sentences = factory.LazyFunction(list)
    closed_at = at_ago(0)
    closed_by = factory.SubFactory("tests.factories.AccountFactory", roles=["auditor"])
