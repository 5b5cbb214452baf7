"""Every door of the assessments, room by room."""

from django.urls import URLPattern

from assessments.views import agreement, bookings, cover, practical, progress, severity, sittings

urlpatterns: list[URLPattern] = [
    *practical.urlpatterns,
    *bookings.urlpatterns,
    *progress.urlpatterns,
    *agreement.urlpatterns,
    *severity.urlpatterns,
    *sittings.urlpatterns,
    *cover.urlpatterns,
]
