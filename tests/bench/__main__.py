"""Runs the bench on SQLite and, where DATABASE_URL is given, on PostgreSQL too."""

import os
import subprocess
import sys


def main() -> int:
    runs = [{name: value for name, value in os.environ.items() if name != "DATABASE_URL"}]
    if "DATABASE_URL" in os.environ:
        runs.append(dict(os.environ))
    codes = [
        subprocess.run([sys.executable, "-m", "tests.bench.run"], env=env).returncode
        for env in runs
    ]
    return max(codes)


if __name__ == "__main__":
    sys.exit(main())
