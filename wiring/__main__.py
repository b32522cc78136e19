"""Check a plan from the command line: `python -m wiring check plan.json`.

`python -m wiring rules` prints every rule as a Markdown table, which is `docs/rules.md`.
`python -m wiring measure sweep.wav recording.wav` repeats the sums of a measurement.

Exit code 0 when nothing stops the plan or the measurement, 1 when something does, 2 when it could
not be read.
"""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from wiring.check import check
from wiring.context import RULES
from wiring.errors import WiringError
from wiring.findings import Finding
from wiring.measure.command import add_commands, run_measure, run_signal
from wiring.plan import Plan, PlanError, load, schema


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m wiring",
        description="Check the plan of a vehicle sound system, and measure one.",
    )
    commands = parser.add_subparsers(dest="command", required=True)
    checking = commands.add_parser("check", help="list the findings of a plan")
    checking.add_argument("plan", help='a plan as JSON, or "-" for standard input')
    checking.add_argument("--json", action="store_true", help="findings as JSON")
    checking.add_argument("--figures", action="store_true", help="show the sums behind them")
    commands.add_parser("schema", help="print the JSON Schema of a plan")
    commands.add_parser("rules", help="print every rule as a Markdown table")
    add_commands(commands)
    options = parser.parse_args(arguments)
    if options.command in ("measure", "signal"):
        return run_measure(options) if options.command == "measure" else run_signal(options)
    if options.command == "schema":
        print(json.dumps(schema(), indent=2))
        return 0
    if options.command == "rules":
        print(rules_page(), end="")
        return 0
    try:
        plan = _read(options.plan)
    except (OSError, PlanError) as error:
        print(f"Cannot read the plan: {error}", file=sys.stderr)
        return 2
    try:
        findings = check(plan)
    except (WiringError, ArithmeticError) as error:
        print(f"The plan holds a figure no sum can answer for: {error}", file=sys.stderr)
        return 2
    if options.json:
        print(json.dumps([finding.as_dict() for finding in findings], indent=2))
    else:
        _print(findings, options.figures)
    return 1 if any(finding.severity == "stop" for finding in findings) else 0


def rules_page() -> str:
    """Every rule by the section where it is put right: what it looks for, how grave, from where."""
    lines = [
        "# Every rule",
        "",
        "Made by `python -m wiring rules`. A finding may name its source more closely.",
    ]
    for section in ("channels", "power", "tuning"):
        lines += ["", f"## Put right under {section}", ""]
        lines += ["| rule | can be | looks for | source |", "| --- | --- | --- | --- |"]
        lines += [
            f"| `{one.name}` | {', '.join(one.severities)} | {one.what} "
            f"| {'; '.join(one.sources)} |"
            for one in RULES.values()
            if one.section == section
        ]
    return "\n".join(lines) + "\n"


def _read(name: str) -> Plan:
    return load(sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes())


def _print(findings: Sequence[Finding], figures: bool) -> None:
    for finding in findings:
        print(f"{finding.severity.upper():8}{finding.title}")
        print(f"        at {', '.join(finding.where)} [{finding.rule}]")
        print(f"        do: {finding.what_to_do}")
        print(f"        source: {finding.source}")
        for figure in finding.figures if figures else ():
            worked = f": {figure.formula} = {figure.worked}" if figure.formula else ""
            print(f"        {figure.label} {figure.value:.4g} {figure.unit}{worked}")
    counts = [
        f"{count} {severity}"
        for severity in ("stop", "caution", "note")
        if (count := sum(finding.severity == severity for finding in findings))
    ]
    print(", ".join(counts) if counts else "No findings.")


if __name__ == "__main__":
    sys.exit(main())
