"""The WSGI entry point; the PDF renderer is loaded here so that no request waits for it."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.project.settings")

application = get_wsgi_application()
