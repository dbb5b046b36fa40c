"""What a server loads. Whatever serves is production unless it says otherwise."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("SITED_ENV", "production")
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
application = get_wsgi_application()

from config.logs import serve_to_stdout  # noqa: E402 - it needs the settings

serve_to_stdout()
