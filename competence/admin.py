"""The set-up: employers, sites, categories, features and minimum cover, kept with Django's own admin.

Nothing else is shown there. What it saves goes through the action that keeps set-up, so that it is journalled
like every other change; nothing is deleted; and the right to it is the register's own.
"""

from collections.abc import Callable
from typing import Any

from django.contrib import admin
from django.contrib.admin.widgets import RelatedFieldWidgetWrapper
from django.db import models
from django.forms import Field, ModelForm
from django.http import HttpRequest, HttpResponse
from django.urls import URLPattern, path, reverse

from competence.actions.setup import keep_setup
from competence.models import Category, Employer, Feature, MinimumCover, Site
from competence.permissions import Right, require_everywhere


class SetUpSite(admin.AdminSite):
    """Open to whom the register lets keep its set-up, at every site. Signing in is the register's own."""

    site_title = site_header = index_title = "Set-up"
    index_template = "competence/setup/index.html"
    enable_nav_sidebar = False

    def has_permission(self, request: HttpRequest) -> bool:
        """Raises ``NotAllowed`` rather than send somebody who is signed in to sign in again."""
        require_everywhere(request.user, Right.KEEP_SETUP)
        return True

    def get_urls(self) -> list[URLPattern]:
        doors = [path("", self.admin_view(self.index), name="index")]
        for model, kept in self._registry.items():
            doors += kept.get_urls_under(model._meta.model_name)
        return doors

    def get_app_list(self, request: HttpRequest, app_label: str | None = None) -> list[dict[str, Any]]:
        """The kinds of row; admin's own list would lead to doors that are not here."""
        kinds = [
            {
                "name": kept.heading or str(model._meta.verbose_name_plural),
                "admin_url": reverse(f"{self.name}:competence_{model._meta.model_name}_changelist"),
                "add_url": reverse(f"{self.name}:competence_{model._meta.model_name}_add"),
            }
            for model, kept in self._registry.items()
        ]
        return [{"app_label": "competence", "name": "Set-up", "models": kinds}]


class Kept(admin.ModelAdmin):
    """One kind of set-up row: listed, entered and changed, never deleted."""

    # What several are called, where adding an s would not do.
    heading = ""
    actions = None
    list_per_page = 50
    change_list_template = "competence/setup/list.html"
    change_form_template = add_form_template = "competence/setup/form.html"

    def get_urls_under(self, name: str) -> list[URLPattern]:
        """Only the three doors that are wanted."""
        doors: tuple[tuple[str, Callable[..., HttpResponse], str], ...] = (
            ("", self.changelist_view, "changelist"),
            ("add/", self.add_view, "add"),
            ("<int:object_id>/change/", self._change, "change"),
        )
        return [
            path(f"{name}/{route}", self.admin_site.admin_view(view), name=f"competence_{name}_{door}")
            for route, view, door in doors
        ]

    def changelist_view(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        heading = self.heading or str(self.opts.verbose_name_plural)
        return super().changelist_view(request, {"heading": heading, **(extra_context or {})})

    def _change(self, request: HttpRequest, object_id: int) -> HttpResponse:
        return self.change_view(request, str(object_id))

    def formfield_for_dbfield(
        self, db_field: models.Field, request: HttpRequest, **kwargs: Any
    ) -> Field | None:
        """Plain lists to choose from, without admin's windows for adding to them on the side."""
        field = super().formfield_for_dbfield(db_field, request, **kwargs)
        if field is not None and isinstance(field.widget, RelatedFieldWidgetWrapper):
            field.widget = field.widget.widget
        return field

    def has_module_permission(self, request: HttpRequest) -> bool:
        return self.admin_site.has_permission(request)

    def has_view_permission(self, request: HttpRequest, obj: models.Model | None = None) -> bool:
        return self.admin_site.has_permission(request)

    has_add_permission = has_module_permission
    has_change_permission = has_view_permission

    def has_delete_permission(self, request: HttpRequest, obj: models.Model | None = None) -> bool:
        return False

    def get_readonly_fields(self, request: HttpRequest, obj: models.Model | None = None) -> tuple[str, ...]:
        """A code never changes: tickets' conditions and stored verdicts name it."""
        return ("code",) if obj is not None and hasattr(obj, "code") else ()

    def save_model(self, request: HttpRequest, obj: models.Model, form: ModelForm, change: bool) -> None:
        keep_setup(by=request.user, row=obj)

    def log_addition(self, request: HttpRequest, obj: models.Model, message: Any) -> None:
        """The journal keeps it, in the same transaction; admin's own log would be a second truth."""

    def log_change(self, request: HttpRequest, obj: models.Model, message: Any) -> None:
        """As ``log_addition``."""


setup_site = SetUpSite(name="setup")


@admin.register(Employer, site=setup_site)
class EmployerAdmin(Kept):
    search_fields = ("name",)
    ordering = ("name",)


@admin.register(Site, site=setup_site)
class SiteAdmin(Kept):
    list_display = ("name", "code", "zone", "latitude", "longitude")
    search_fields = ("name", "code")
    ordering = ("name",)


@admin.register(Category, site=setup_site)
class CategoryAdmin(Kept):
    list_display = ("name", "code", "family", "min_mass_kg", "max_mass_kg")
    search_fields = ("name", "code", "family", "trade_names")
    ordering = ("name",)


@admin.register(Feature, site=setup_site)
class FeatureAdmin(Kept):
    list_display = ("name", "code", "kind")
    search_fields = ("name", "code")
    ordering = ("kind", "name")


@admin.register(MinimumCover, site=setup_site)
class MinimumCoverAdmin(Kept):
    heading = "minimum cover"
    list_display = ("site", "category", "operators")
    list_select_related = ("site", "category")
    search_fields = ("site__name", "category__name")
    ordering = ("site__name", "category__name")
