from django.apps import AppConfig


class AuditsConfig(AppConfig):
    name = "audits"
    default_auto_field = "django.db.models.BigAutoField"
