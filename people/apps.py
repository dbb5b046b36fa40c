from django.apps import AppConfig


class PeopleConfig(AppConfig):
    name = "people"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from people import touched  # the app registry must be full

        touched.register_all()
