"""Every door of the assessments, room by room."""

from django.urls import URLPattern

from assessments.views import (
    agreement,
    analysis,
    bookings,
    calendars,
    cover,
    credentials,
    ends,
    evidence_pack,
    papers,
    plans,
    practical,
    progress,
    questions,
    severity,
    sittings,
)

urlpatterns: list[URLPattern] = [
    *practical.urlpatterns,
    *bookings.urlpatterns,
    *calendars.urlpatterns,
    *credentials.urlpatterns,
    *progress.urlpatterns,
    *agreement.urlpatterns,
    *severity.urlpatterns,
    *analysis.urlpatterns,
    *questions.urlpatterns,
    *papers.urlpatterns,
    *sittings.urlpatterns,
    *cover.urlpatterns,
    *ends.urlpatterns,
    *evidence_pack.urlpatterns,
    *plans.urlpatterns,
]
