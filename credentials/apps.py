from django.apps import AppConfig


class CredentialsConfig(AppConfig):
    name = "credentials"
    default_auto_field = "django.db.models.BigAutoField"
