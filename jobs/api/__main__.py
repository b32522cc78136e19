"""Write the description anew: `python -m jobs.api`."""

import os
from importlib import import_module
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.project.settings")
django.setup()
Path(__file__).with_name("openapi.json").write_bytes(import_module("jobs.api.build").written())
