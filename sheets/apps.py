from django.apps import AppConfig


class SheetsConfig(AppConfig):
    name = "sheets"
    default_auto_field = "django.db.models.BigAutoField"
