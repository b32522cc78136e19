"""Known faults of what we stand on: `python deploy/audit.py`, part of `make check`.

pip-audit asks the package registry's advisories for each pinned version of requirements.lock. What
is found and not allowed for fails. What cannot be asked is a note: no network must fail a check.

deploy/audit-allowed.toml says what is allowed for, why, and until when at the latest:

    [[allowed]]
    id = "PYSEC-2026-0"
    why = "What we use of it does not read such files"
    until = 2026-12-31
"""

import json
import re
import subprocess
import sys
import tomllib
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import urlopen

ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "requirements.lock"
ALLOWED = ROOT / "deploy" / "audit-allowed.toml"
ADVISORIES = "https://pypi.org/pypi/{name}/{version}/json"
PATIENCE_S = 10


def is_reachable() -> bool:
    """Whether there is anybody to ask: one question about one package."""
    first = re.search(r"^([A-Za-z0-9._-]+)==(\S+)", LOCK.read_text(), re.MULTILINE)
    assert first
    try:
        with urlopen(
            ADVISORIES.format(name=first[1], version=first[2]), timeout=PATIENCE_S
        ) as answer:
            return "vulnerabilities" in json.load(answer)
    except (URLError, OSError, ValueError):
        return False


def ask() -> dict[str, Any] | None:
    """What pip-audit says of each pinned version; None where it could not ask."""
    asked = ["--disable-pip", "--require-hashes", "--requirement", str(LOCK), "--format", "json"]
    asked += ["--timeout", str(PATIENCE_S), "--progress-spinner", "off"]
    command = [sys.executable, "-m", "pip_audit", *asked]
    done = subprocess.run(command, capture_output=True, text=True)
    try:
        told: dict[str, Any] = json.loads(done.stdout)
    except ValueError:
        print(done.stderr.strip()[-400:])
        return None
    return told


def judged(
    told: dict[str, Any], allowed: list[dict[str, Any]], today: date
) -> tuple[int, list[str]]:
    """The exit status, and what there is to say."""
    until = {one["id"]: one["until"] for one in allowed}
    said, found, skipped = [], set(), []
    status = 0
    for package in told["dependencies"]:
        if "skip_reason" in package:
            skipped.append(package["name"])
        for fault in package.get("vulns", ()):
            names = {fault["id"], *fault.get("aliases", ())}
            found |= names
            known = next((until[one] for one in names if one in until), None)
            what = f"{package['name']} {package['version']} has {fault['id']}"
            mended = " or ".join(fault.get("fix_versions", ())) or "no version yet"
            if known is None:
                said.append(
                    f"{what}, mended by {mended}: make lock, or allow for it in {ALLOWED.name}."
                )
                status = 1
            elif known < today:
                said.append(f"{what}, which was allowed for until {known}; mended by {mended}.")
                status = 1
            else:
                said.append(f"Note: {what}, allowed for until {known}.")
    said += [f"Note: {one} is allowed for and was not found." for one in until.keys() - found]
    if skipped:
        said.append(f"Note: not asked about {len(skipped)} packages: {', '.join(skipped[:5])}…")
    return status, said


def main() -> int:
    allowed = tomllib.loads(ALLOWED.read_text())["allowed"]
    if not is_reachable() or (told := ask()) is None:
        print("Known faults of libraries: not asked, no advisories can be reached from here.")
        return 0
    status, said = judged(told, allowed, datetime.now(UTC).date())
    print("\n".join(said or ["No known faults of libraries."]))
    return status


if __name__ == "__main__":
    sys.exit(main())
