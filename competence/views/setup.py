"""The set-up's doors: Django's own admin, for five kinds of row and nothing else."""

from django.urls import URLPattern, URLResolver, path

from competence.admin import setup_site

urlpatterns: list[URLPattern | URLResolver] = [path("setup/", setup_site.urls)]
