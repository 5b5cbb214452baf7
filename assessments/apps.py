from django.apps import AppConfig


class AssessmentsConfig(AppConfig):
    name = "assessments"
    default_auto_field = "django.db.models.BigAutoField"
