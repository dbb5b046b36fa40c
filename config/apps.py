from django.apps import AppConfig


class ConfigConfig(AppConfig):
    """No models: this app holds the commands that need every other app."""

    name = "config"

    def ready(self) -> None:
        from config.logs import note_sign_ins
        from people import stale

        note_sign_ins()
        # The demo says so in its own ledger once it is whole.
        stale.register("register.filled", stale.NOBODY)
