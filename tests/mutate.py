"""Would the tests notice? `make mutate` changes one thing at a time and runs the tests on it.

Two kinds of change: each number of a published table raised by 10 %, and one operator, constant or
condition of the rules, the sums and the saving turned into another. A change that no test notices
is printed with its place. Each runs in a child forked from a process that has everything heavy
imported already; nothing on the disk is touched.

    python -m tests.mutate tables              every number of every table
    python -m tests.mutate code --sample 200   a seeded sample of the changes of the code
    python -m tests.mutate code wiring/rules/power.py
"""

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).parent.parent
RAISED = 1.1
LONGEST_S = 120
TABLE_TESTS = ("tests/reference/test_tables.py", "tests/reference", "tests/wiring")
SUITES: dict[str, tuple[str, ...]] = {
    "wiring/": ("tests/wiring/test_hard_plans.py", "tests/wiring", "tests/reference"),
    "jobs/services/saving.py": (
        "tests/jobs/test_save_row.py",
        "tests/jobs/test_bay_saving.py",
        "tests/jobs/test_bay_changes.py",
    ),
}
JUDGED = ("wiring/rules/*.py", "jobs/services/saving.py")


class Mutant(NamedTuple):
    """One change: where it stands, what it is, and how a child puts it in place."""

    where: str
    what: str
    tests: tuple[str, ...]
    apply: Callable[[], None]


# Tables ---------------------------------------------------------------------------------------


def _numbers(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(node, dict):
        for name, inner in node.items():
            yield from _numbers(inner, (*path, name))
    elif isinstance(node, list):
        for place, inner in enumerate(node):
            yield from _numbers(inner, (*path, place))
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield path


def _raised(table: Any, path: tuple[Any, ...]) -> Any:
    """The table with the number at `path` raised; nought becomes one tenth."""
    changed = copy.deepcopy(table)
    inner = changed
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = inner[path[-1]] * RAISED or 0.1
    return changed


def table_mutants() -> Iterator[Mutant]:
    """Every number of every table raised by a tenth."""
    for file in sorted((ROOT / "wiring/tables").glob("*.json")):
        table = json.loads(file.read_text(encoding="utf-8"))
        for path in _numbers(table):

            def apply(name: str = file.stem, table: Any = table, path: Any = path) -> None:
                from wiring import tables

                plain, changed = tables.load, _raised(table, path)
                tables.load = lambda asked: changed if asked == name else plain(asked)

            where = f"{file.name} {'.'.join(map(str, path))}"
            yield Mutant(where, "raised by 10 %", TABLE_TESTS, apply)


# Code -----------------------------------------------------------------------------------------

_COMPARED: dict[type, type] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_REVERSED: dict[type, type] = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
_SUMS: dict[type, type] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}


def _changes(node: ast.AST) -> Iterator[tuple[str, Callable[[Any], None]]]:
    """What can be changed at one node: a name of the change, and a function that makes it."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        kind = type(node.ops[0])
        for turned in filter(None, (_COMPARED.get(kind), _REVERSED.get(kind))):
            yield (
                f"{kind.__name__} to {turned.__name__}",
                lambda n, t=turned: n.ops.__setitem__(0, t()),
            )
    elif isinstance(node, ast.BoolOp):
        other: type = ast.Or if isinstance(node.op, ast.And) else ast.And
        yield f"to {other.__name__}", lambda n: setattr(n, "op", other())
    elif isinstance(node, ast.BinOp) and type(node.op) in _SUMS:
        if not any(isinstance(one, ast.JoinedStr) for one in (node.left, node.right)):
            turned = _SUMS[type(node.op)]
            yield f"to {turned.__name__}", lambda n: setattr(n, "op", turned())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield "not left out", lambda n: setattr(n, "op", ast.UAdd())
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield "number raised", lambda n: setattr(n, "value", n.value * 1.5 or 1)
    elif isinstance(node, ast.If | ast.IfExp):
        yield "always", lambda n: setattr(n, "test", ast.Constant(True))
        yield "never", lambda n: setattr(n, "test", ast.Constant(False))
    elif isinstance(node, ast.Continue):
        yield "break instead", lambda n: None


def _turned(tree: ast.Module, place: int, change: Callable[[Any], None]) -> ast.Module:
    changed = copy.deepcopy(tree)
    node = list(ast.walk(changed))[place]
    if isinstance(node, ast.Continue):
        node.__class__ = ast.Break
    change(node)
    return ast.fix_missing_locations(changed)


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.SourceLoader):
    """Gives one module from a changed tree."""

    def __init__(self, module: str, file: Path, tree: ast.Module) -> None:
        self.module, self.file, self.tree = module, file, tree

    def find_spec(self, name: str, path: Any, target: Any = None) -> Any:
        if name != self.module:
            return None
        return importlib.util.spec_from_loader(name, self, origin=str(self.file))

    def get_filename(self, name: str) -> str:
        return str(self.file)

    def get_data(self, path: Any) -> bytes:
        return ast.unparse(self.tree).encode()

    def path_stats(self, path: Any) -> Any:
        raise OSError("never cached")


def _tests_for(name: str) -> tuple[str, ...]:
    return next(tests for start, tests in SUITES.items() if name.startswith(start))


def code_mutants(files: list[Path]) -> Iterator[Mutant]:
    """Every single change of the files."""
    for file in files:
        name = file.relative_to(ROOT).as_posix()
        tree = ast.parse(file.read_text(encoding="utf-8"))
        module = name.removesuffix(".py").replace("/", ".")
        for place, node in enumerate(ast.walk(tree)):
            for what, change in _changes(node):

                def apply(
                    place: int = place, change: Any = change, file: Path = file, tree: Any = tree,
                    module: str = module,
                ) -> None:  # fmt: skip
                    finder = _Changed(module, file, _turned(tree, place, change))
                    sys.meta_path.insert(0, finder)

                line = getattr(node, "lineno", 0)
                yield Mutant(f"{name}:{line}", what, _tests_for(name), apply)


# Running --------------------------------------------------------------------------------------


def _child(mutant: Mutant) -> int:
    """Runs in the fork: 0 when every test passed all the same."""
    import pytest

    sink = os.open(os.devnull, os.O_WRONLY)
    os.dup2(sink, 1)
    os.dup2(sink, 2)
    try:
        mutant.apply()
        return int(pytest.main(["-x", "-q", "-n", "0", "-p", "no:cacheprovider", *mutant.tests]))
    except BaseException:
        return 3


def survives(mutant: Mutant) -> bool:
    """Whether every test passes with the change in place; one that never ends is noticed."""
    child = os.fork()
    if child == 0:
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)  # time of its own, however busy the machine
        signal.alarm(10 * LONGEST_S)
        os._exit(min(_child(mutant), 100))
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status) == 0


def _unchanged_passes(tests: set[tuple[str, ...]]) -> bool:
    return all(
        survives(Mutant("", "", one, lambda: None))  # a broken suite would "notice" everything
        for one in tests
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutate")
    parser.add_argument("kind", choices=("tables", "code"))
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--sample", type=int, default=0, help="this many, chosen by --seed")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    import numpy  # noqa: F401 -- imported before the forks, once
    import scipy.signal  # noqa: F401

    files = [one.resolve() for one in options.files] or [
        file
        for pattern in JUDGED
        for file in sorted(ROOT.glob(pattern))
        if file.name != "__init__.py"
    ]
    mutants = list(table_mutants() if options.kind == "tables" else code_mutants(files))
    if 0 < options.sample < len(mutants):
        mutants = random.Random(options.seed).sample(mutants, options.sample)
    if not _unchanged_passes({one.tests for one in mutants}):
        print("The tests fail as they are: mend them first.")
        return 2
    begun, alive = time.monotonic(), 0
    for mutant in mutants:
        if survives(mutant):
            alive += 1
            print(f"not noticed: {mutant.where} {mutant.what}", flush=True)
    noticed = len(mutants) - alive
    share = noticed / len(mutants)
    spent = time.monotonic() - begun
    print(f"{noticed} of {len(mutants)} noticed ({share:.0%}) in {spent / 60:.0f} min")
    return 0 if share >= (1.0 if options.kind == "tables" else 0.85) else 1


if __name__ == "__main__":
    sys.exit(main())
