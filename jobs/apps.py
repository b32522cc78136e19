from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class JobsConfig(AppConfig):
    name = "jobs"
    verbose_name = "Jobs"

    def ready(self) -> None:
        from jobs import frozen  # noqa: F401 -- says which tables of jobs have triggers
        from jobs.reads import (
            shop_log,  # noqa: F401 -- names the records of jobs in the shop's log
            standing,  # noqa: F401 -- what of jobs a watch of the server is told
        )
        from jobs.services import (
            branches,
            shop_chain,  # noqa: F401 -- links the events of the shop's log
        )
        from jobs.sheet import revision  # noqa: F401 -- adds what moves need of the signed sheet
        from shop import access

        access.numbers_name(branches.of_job)

        post_migrate.connect(_seal, sender=self)


def _seal(*, using: str, plan: list[Any] | None = None, **_: Any) -> None:
    """A record from before there was a key is sealed as it stands, and the seals say so; a log of
    the shop from before there was a chain is taken over into one.

    Without a plan it is no migration: the tables were emptied by `flush`.
    """
    from jobs.services import record, shop_chain
    from shop.apps import is_migrated

    if plan is None or not is_migrated(using):
        return
    if record.is_unkeyed():
        record.seal_anew()
    if shop_chain.has_none_yet():
        shop_chain.begin()
