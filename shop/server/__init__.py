"""The shop's server, `python -m shop.server`: a request gets a thread when all of it is here."""
