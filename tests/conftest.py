"""What every test may use."""

pytest_plugins = ["tests.guard_plugin"]
