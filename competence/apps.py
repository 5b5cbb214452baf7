from django.apps import AppConfig


class CompetenceConfig(AppConfig):
    name = "competence"
    default_auto_field = "django.db.models.BigAutoField"
