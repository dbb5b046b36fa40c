from django.apps import AppConfig


class CredentialsConfig(AppConfig):
    name = "credentials"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from audits import settled
        from credentials import (  # the app registry must be full
            first_steps,
            standings,
            touched,
            verifying,
            verifying_cohorts,
            verifying_moves,
            verifying_policies,
            verifying_recognitions,
            verifying_referrals,
            verifying_restrictions,
        )
        from credentials.papers import verifying as verifying_papers
        from people import first_day

        touched.register_all()
        verifying.register_all()
        verifying_cohorts.register_all()
        verifying_moves.register_all()
        verifying_papers.register_all()
        verifying_policies.register_all()
        verifying_referrals.register_all()
        verifying_recognitions.register_all()
        verifying_restrictions.register_all()
        settled.follow(standings.refresh)
        first_day.register(first_steps.first_steps)
