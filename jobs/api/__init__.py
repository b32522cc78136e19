"""The API for neighbouring programs: what `/api/v1/` answers, and its description.

`jobs.api.build` needs django-ninja and pydantic. A worker that has loaded them is 16 MB larger, and
took 0.3 s for it: so it is reached with the first question that a token opens (shop/lazy.py). The
description lies ready in `openapi.json`; `python -m jobs.api` writes it anew.
"""
