from django.apps import AppConfig
from django.core.checks import Tags, register
from django.db.models.signals import post_migrate, pre_migrate


class LedgerConfig(AppConfig):
    name = "ledger"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from ledger import guarding  # the app registry must be full

        pre_migrate.connect(guarding.lift_for_migrations, dispatch_uid="ledger.guard")
        post_migrate.connect(guarding.install_after_migrations, dispatch_uid="ledger.guard")
        register(guarding.check_guards, Tags.database)
