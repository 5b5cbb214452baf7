"""Settings with a fault: this host counts wrong passwords for itself alone. The drill must see it."""

from competence.settings import *  # noqa: F403

AXES_HANDLER = "axes.handlers.cache.AxesCacheHandler"
CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
