"""Every door of the register, room by room."""

from django.urls import URLPattern, URLResolver

from assessments import urls as assessments
from competence.views import (
    cards,
    checklists,
    checks,
    credentials,
    defects,
    evidence,
    front,
    gate,
    imports,
    journal,
    missed_checks,
    operators,
    plant,
    proofs,
    refusals,
    samples,
    second_factor,
    setup,
    standards,
    tickets,
    workbook,
)

urlpatterns: list[URLPattern | URLResolver] = [
    *front.urlpatterns,
    *checks.urlpatterns,
    *refusals.urlpatterns,
    *missed_checks.urlpatterns,
    *defects.urlpatterns,
    *plant.urlpatterns,
    *second_factor.urlpatterns,
    *cards.urlpatterns,
    *credentials.urlpatterns,
    *operators.urlpatterns,
    *evidence.urlpatterns,
    *imports.urlpatterns,
    *tickets.urlpatterns,
    *standards.urlpatterns,
    *checklists.urlpatterns,
    *gate.urlpatterns,
    *journal.urlpatterns,
    *proofs.urlpatterns,
    *samples.urlpatterns,
    *workbook.urlpatterns,
    *setup.urlpatterns,
    *assessments.urlpatterns,
]
