"""`manage.py check_log`: does the shop's own log stand as it was written?"""

from typing import Any

from django.core.management.base import CommandError

from jobs.record_key import KeyLost
from jobs.services import shop_chain
from shop.management.ready import ReadyCommand
from shop.models import ShopEvent


class Command(ReadyCommand):
    help = (
        "Check the shop's log against its keyed chain, and name each entry that was changed, put "
        "in, moved or taken out. Ends with an error when anything is wrong."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            problems = list(shop_chain.check())
        except KeyLost as lost:
            raise CommandError(str(lost)) from lost
        for problem in problems:
            self.stdout.write(problem)
        if problems:
            raise CommandError(
                f"{len(problems)} things of the shop's log are not as they were written. Keep this "
                "database and the newest sound backup, and compare them before you rely on the log."
            )
        self.stdout.write(f"The shop's log holds: {ShopEvent.objects.count()} entries.")
