"""What the rules say of every plan kept for tests, as one text that a person reads.

    python -m tests.wiring.told > tests/wiring/told.txt

A word, a figure or a limit that changes is seen in it beside the plan it was said of. Read the
difference before it is kept: it is what the technician will read.
"""

import json
from collections.abc import Iterator
from pathlib import Path

from wiring.check import check
from wiring.findings import Figure, Finding
from wiring.plan import from_builtins

KEPT = Path(__file__).parent / "told.txt"
HARD = sorted((Path(__file__).parent / "hard_plans").glob("*.json"))
CLEAN = sorted((Path(__file__).parent / "clean_cars").glob("*.json"))
DIGITS = 6


def _figure(figure: Figure) -> str:
    worked = f" = {figure.worked}" if figure.worked else ""
    assumed = f" ({'; '.join(figure.assumed)})" if figure.assumed else ""
    return f"    {figure.label}: {figure.value:.{DIGITS}g} {figure.unit}{worked}{assumed}".rstrip()


def _lines(finding: Finding) -> Iterator[str]:
    yield f"  {finding.severity} {finding.rule} @ {', '.join(finding.where)}"
    yield f"    {finding.title}"
    for text in (finding.detail, finding.what_to_do):
        if text:
            yield f"    {text}"
    for figure in finding.figures:
        yield _figure(figure)
    yield f"    [{finding.source}]"


def told() -> str:
    """Every plan by its file's name, with all that is found, in the order it is found.

    What a plan was not made for is named, and not told in full.
    """
    lines: list[str] = []
    for path in (*CLEAN, *HARD):
        lines.append(path.stem)
        case = json.loads(path.read_text(encoding="utf-8"))
        wanted = {one["rule"] for one in case.get("expected", ())}
        for finding in check(from_builtins(case["plan"]), case.get("distances_m")):
            first, *rest = _lines(finding)
            lines.append(first)
            if finding.rule in wanted or "expected" not in case:
                lines.extend(rest)
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(told(), end="")
