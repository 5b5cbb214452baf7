"""Every door of the register, room by room."""

from django.urls import URLPattern, URLResolver

from assessments import urls as assessments
from competence.views import (
    absences,
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
    keeping,
    looks,
    missed_checks,
    operators,
    plant,
    proofs,
    record,
    refusals,
    samples,
    second_factor,
    setup,
    standards,
    tickets,
    unavailable,
    watching,
    workbook,
)

urlpatterns: list[URLPattern | URLResolver] = [
    *front.urlpatterns,
    *watching.urlpatterns,
    *checks.urlpatterns,
    *refusals.urlpatterns,
    *missed_checks.urlpatterns,
    *defects.urlpatterns,
    *plant.urlpatterns,
    *second_factor.urlpatterns,
    *cards.urlpatterns,
    *credentials.urlpatterns,
    *operators.urlpatterns,
    *absences.urlpatterns,
    *evidence.urlpatterns,
    *imports.urlpatterns,
    *tickets.urlpatterns,
    *standards.urlpatterns,
    *checklists.urlpatterns,
    *gate.urlpatterns,
    *record.urlpatterns,
    *looks.urlpatterns,
    *journal.urlpatterns,
    *keeping.urlpatterns,
    *proofs.urlpatterns,
    *samples.urlpatterns,
    *workbook.urlpatterns,
    *setup.urlpatterns,
    *assessments.urlpatterns,
]

handler400 = unavailable.not_understood
handler500 = unavailable.failed
