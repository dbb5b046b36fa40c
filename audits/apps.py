from django.apps import AppConfig


class AuditsConfig(AppConfig):
    name = "audits"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from audits import (  # the app registry must be full
            touched,
            verifying,
            verifying_disputes,
            verifying_observations,
            verifying_tallies,
        )

        touched.register_all()
        verifying.register_all()
        verifying_observations.register_all()
        verifying_disputes.register_all()
        verifying_tallies.register_all()
