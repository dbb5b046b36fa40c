"""Every URL. Each app keeps its own in urls.py, with names that are unique in the whole register.

A new URL needs a row in config/permissions.py; without one it is refused.
"""

from django.urls import URLPattern, URLResolver, include, path

from config import health, pages

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz, name="healthz"),
    path("readyz", health.readyz, name="readyz"),
    path("stay/", pages.stay, name="stay"),
    path("", include("people.urls")),
    path("", include("audits.urls")),
    path("", include("credentials.urls")),
]
