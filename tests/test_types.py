"""What the type checker is told to pass over, and why, in each place."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MOST = 20
MARK = "# type:" + " ignore"


def _passed_over() -> list[tuple[str, str, str]]:
    """Where, the line and the one above it."""
    found = []
    for room in ("wiring", "shop", "jobs", "deploy", "tests"):
        for file in sorted((ROOT / room).rglob("*.py")):
            lines = ["", *file.read_text().splitlines()]
            for number, line in enumerate(lines):
                if MARK in line:
                    where = f"{file.relative_to(ROOT)}:{number}"
                    found.append((where, line, lines[number - 1]))
    return found


def test_what_the_type_checker_passes_over_is_little_and_has_a_reason() -> None:
    found = _passed_over()
    assert 0 < len(found) <= MOST
    bare = [
        where
        for where, line, above in found
        if "#" not in line.split(MARK)[1] and not above.strip().startswith("#")
    ]
    assert bare == []
