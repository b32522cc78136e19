"""One run on one database. Prints a table: measured, floor, ratio, target."""

import os
import sys
import tempfile
from pathlib import Path


def _set_up(folder: Path) -> None:
    """Settings of the bench: files in a folder of its own, the product's URLs and the floor."""
    os.environ["LOOMBOOK_DATA"] = str(folder)
    os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
    import django
    from django.conf import settings

    settings.ROOT_URLCONF = "tests.bench.urls"
    settings.AXES_ENABLED = False
    database = settings.DATABASES["default"]
    sqlite = database["ENGINE"].endswith("sqlite3")
    database["TEST"] = {"NAME": str(folder / "bench.sqlite3") if sqlite else "loombook_bench"}
    django.setup()


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        _set_up(Path(name))
        from django.core.management import call_command

        from tests.bench import ground, growth
        from tests.bench.figures import GROUPS, GROWTH, Bench

        only = os.environ.get("BENCH_ONLY", "").split()
        if unknown := set(only) - {*GROUPS, GROWTH}:
            known = ", ".join([*GROUPS, GROWTH])
            sys.exit(f"BENCH_ONLY knows {known}, not {', '.join(sorted(unknown))}.")

        call_command("collectstatic", interactive=False, verbosity=0)
        with ground.database():
            bench = Bench(ground.lay(only, growth.SMALL if GROWTH in only else ground.PAST_JOBS))
            if GROWTH in only:
                growth.report(bench)
            if not only or set(only) != {GROWTH}:
                bench.report([name for name in only if name != GROWTH])


if __name__ == "__main__":
    sys.exit(main())
