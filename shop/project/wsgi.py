"""The WSGI entry point.

Each worker loads here what draws and signs papers, so that no request waits for it. With
LOOMBOOK_PAPERS_LATER=1 it starts in half the time, and the first paper waits.
"""

import gc
import os
from importlib import import_module

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.project.settings")

application = get_wsgi_application()

if os.environ.get("LOOMBOOK_PAPERS_LATER") != "1":
    for name in ("jobs.renderer", "jobs.signer", "pyhanko.sign.validation"):
        import_module(name)

# What keeps the uploads, too: one in a store takes half a second to load.
import_module("django.core.files.storage").default_storage.standing  # noqa: B018

# What was loaded stays: no collection during a request has to look through it.
gc.collect()
gc.freeze()
