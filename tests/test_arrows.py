"""Which way the arrows go: the contracts in pyproject.toml hold, and each of them can fail."""

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"][
    "importlinter"
]["contracts"]

WRONG = {
    "The sums stand alone": ("wiring/plan.py", "import django"),
    "The shop knows nothing of jobs": ("shop/roles.py", "import jobs.lifecycle"),
    "The rooms of the sums, each above what it stands on": (
        "wiring/power/heat.py",
        "import wiring.rules.power",
    ),
    "The rooms of a job, each above what it stands on": (
        "jobs/plan/rows.py",
        "import jobs.services.saving",
    ),
    "The API is loaded with its first question": ("jobs/views/board.py", "import jobs.api.build"),
    "Nothing stands on the demo shop": ("jobs/services/moves.py", "import deploy.demo.people"),
    "The sums reach jobs through jobs.plan alone": ("jobs/views/find.py", "import wiring.check"),
}


def judged(folder: Path) -> dict[str, bool]:
    """Whether each contract holds for the code below a folder."""
    for name in ("wiring", "shop", "jobs", "deploy/demo"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("[!_a-z]*"))
    shutil.copy(ROOT / "pyproject.toml", folder)
    for file, line in WRONG.values() if folder.name == "wrong" else ():
        with (folder / file).open("a", encoding="utf-8") as target:
            target.write(f"\n{line}\n")
    done = subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-cache"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    lines = done.stdout.splitlines()
    return {
        one["name"]: any(line.startswith(f"{one['name']} KEPT") for line in lines)
        for one in CONTRACTS
    }


def test_each_contract_has_an_import_that_breaks_it() -> None:
    assert set(WRONG) == {one["name"] for one in CONTRACTS}


@pytest.mark.parametrize(("name", "kept"), [("as it is", True), ("wrong", False)])
def test_contracts(name: str, kept: bool, tmp_path: Path) -> None:
    folder = tmp_path / name
    folder.mkdir()
    assert judged(folder) == dict.fromkeys(WRONG, kept)
