"""The WSGI entry point; each worker loads the PDF renderer here so that no request waits for it."""

import os

import weasyprint  # noqa: F401
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.project.settings")

application = get_wsgi_application()
