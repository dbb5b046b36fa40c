from django.apps import AppConfig


class CredentialsConfig(AppConfig):
    name = "credentials"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from credentials import touched  # the app registry must be full

        touched.register_all()
