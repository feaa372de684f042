"""Mutation check: would a test notice if a line of the code were wrong?

Each mutant is the code with one small mistake put in. A test that fails kills it. One that survives
is either no mistake at all (the result is the same), or a behaviour that no test holds.

    python tests/mutation/mutate.py padlab/signals padlab/fitting --each 40 --out survivors.json

How it goes: the tree is copied, so that the checkout is never touched. Once, the tests are run with
coverage, and for every line is kept which tests run it and how long they take. Then this process,
which has numpy, scipy, pandas and pytest imported already, forks for every mutant and every file of
tests, the quickest first, until a test fails; only tests that run the mutant's line are run. Needs
fork, so Linux or macOS.

What is not mutated: docstrings, annotations, messages of errors, text.
"""

from __future__ import annotations

import argparse
import ast
import gc
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
TESTS = ("tests/unit/signals", "tests/unit/fitting", "tests/unit/statistics/test_serial.py",
         "tests/unit/calibration/test_skew.py",
         "tests/truth/test_clocks.py", "tests/truth/test_certified_fits.py",
         "tests/truth/test_worked_numbers.py", "tests/truth/test_rubber_data.py",
         "tests/truth/test_dead_weight.py", "tests/truth/test_virtual_landmarks.py")
WARM = ("numpy", "scipy.optimize", "scipy.interpolate", "scipy.linalg", "scipy.stats", "pandas", "pydantic",
        "click", "lmfit", "filelock", "hypothesis.strategies", "rich.table", "pytest", "_pytest.doctest",
        "xdist", "pytest_benchmark.plugin", "pytest_timeout", "coverage")
"""Imported once, before the forks. Nothing of padlab: a mutant must be imported by the child itself."""
QUIET = ("-p", "no:cacheprovider", "-p", "no:xdist", "-W", "ignore:Module already imported",
         "-o", "addopts=", "--doctest-modules", "--import-mode=importlib", "--benchmark-disable",
         "-m", "not long")
"""The project's own options but those of a plugin that is left out here."""
SLOWEST_S = 8.0
"""A test that takes longer is not run against every mutant."""


# -- mutants ---------------------------------------------------------------------------------------

COMPARE = {ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
           ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
           ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,)}
ARITHMETIC = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
              ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
              ast.BitXor: ast.BitOr}
FUNCTIONS = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "argmin": "argmax",
             "argmax": "argmin", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor",
             "median": "mean", "mean": "median", "cumsum": "cumprod"}


@dataclass(frozen=True)
class Mutant:
    """One mistake: where, of which kind, and how the whole source reads with it.

    ``first`` and ``last`` are the lines of its statement (of its head, where others are nested in it);
    None where it stands outside all functions and is run when the module is imported.
    """

    module: str
    line: int
    first: int | None
    last: int | None
    kind: str
    before: str
    after: str
    source: Callable[[], str]


def mutants(source: str, module: str) -> list[Mutant]:
    r"""All mutants of a module's source, in the order of its lines.

    >>> [(m.kind, m.after) for m in mutants("def f(a, b):\n    return a < b", "f.py")]
    [('return', 'return None'), ('boundary', 'a <= b'), ('compare', 'a >= b')]
    """
    tree = ast.parse(source)
    found = []
    heads = dict(_heads(tree, at_import=True))
    for node, kind, put, back in _changes(tree):
        before = ast.unparse(node)
        put()
        after = ast.unparse(node)
        back()
        if kind in ("removed", "sign"):                 # the node itself is as it was: it has gone
            after = ast.unparse(node.operand) if kind == "sign" else "pass"
        found.append(Mutant(module, node.lineno, *heads[id(node)], kind, before, after,
                            _written(tree, put, back)))
    return sorted(found, key=lambda m: m.line)


def _written(tree: ast.AST, put: Callable[[], None], back: Callable[[], None]) -> Callable[[], str]:
    def source() -> str:
        put()
        text = ast.unparse(tree)
        back()
        return text + "\n"
    return source


def _heads(node: ast.AST, at_import: bool, head: tuple[int | None, int | None] = (None, None),
           ) -> Iterator[tuple[int, tuple[int | None, int | None]]]:
    """For each node, by identity, the first and last line of its statement; see :class:`Mutant`."""
    if isinstance(node, ast.stmt | ast.ExceptHandler) and not at_import:
        body = getattr(node, "body", [])
        head = node.lineno, max(node.lineno, body[0].lineno - 1) if body else node.end_lineno
    yield id(node), head
    for field, value in ast.iter_fields(node):
        inner = at_import and not (field == "body" and isinstance(node, ast.FunctionDef | ast.Lambda))
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, ast.AST):
                at = head if at_import == inner else (one.lineno, one.end_lineno)
                yield from _heads(one, inner, at)


def _changes(tree: ast.AST) -> Iterator[tuple[Any, str, Any, Any]]:
    """Each change as (node shown, kind, put it in, take it back)."""
    for node, parent, field, place in _walk(tree):
        def swap(name: str, value: Any, node: Any = node) -> tuple[Any, Any]:
            old = getattr(node, name)
            return lambda: setattr(node, name, value), lambda: setattr(node, name, old)

        match node:
            case ast.Compare(ops=[op]):
                for k, other in enumerate(COMPARE.get(type(op), ())):
                    yield node, "boundary" if k == 0 and len(COMPARE[type(op)]) > 1 else "compare", *swap(
                        "ops", [other()])
            case ast.Compare(ops=several):
                for k, op in enumerate(several):
                    for other in COMPARE.get(type(op), ())[-1:]:
                        yield node, "compare", *swap("ops", [*several[:k], other(), *several[k + 1:]])
            case ast.BinOp(op=op) | ast.AugAssign(op=op) if type(op) in ARITHMETIC:
                yield node, "arithmetic", *swap("op", ARITHMETIC[type(op)]())
            case ast.BoolOp(op=op):
                yield node, "boolean", *swap("op", ast.Or() if isinstance(op, ast.And) else ast.And())
            case ast.Constant(value=bool(value)):
                yield node, "constant", *swap("value", not value)
            case ast.Constant(value=int(value)):
                yield node, "constant", *swap("value", value + 1)
            case ast.Constant(value=float(value)):
                yield node, "constant", *swap("value", 1.5 * value if value else 1.0)
            case ast.Attribute(attr=name) if name in FUNCTIONS and field == "func":
                yield node, "function", *swap("attr", FUNCTIONS[name])
            case ast.Name(id=name) if name in FUNCTIONS and field == "func":
                yield node, "function", *swap("id", FUNCTIONS[name])
            case ast.Return(value=value) if value is not None and not (
                    isinstance(value, ast.Constant) and value.value is None):
                yield node, "return", *swap("value", ast.Constant(None))
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
            yield node, "sign", *_put(parent, field, place, node, node.operand)
        if isinstance(node, ast.If | ast.IfExp | ast.While) and not isinstance(node.test, ast.Compare):
            yield node, "condition", *swap("test", ast.UnaryOp(ast.Not(), node.test))
        if isinstance(node, ast.AugAssign | ast.Raise | ast.Continue | ast.Break) or (
                isinstance(node, ast.Expr) and not isinstance(node.value, ast.Constant)) or (
                isinstance(node, ast.Assign) and all(isinstance(t, ast.Subscript) for t in node.targets)):
            nothing = ast.Pass(lineno=node.lineno, col_offset=0)
            yield node, "removed", *_put(parent, field, place, node, nothing)


def _put(parent: ast.AST, field: str, place: int | None, old: ast.AST, new: ast.AST) -> tuple[Any, Any]:
    def put(value: ast.AST) -> None:
        if place is None:
            setattr(parent, field, value)
        else:
            getattr(parent, field)[place] = value
    return lambda: put(new), lambda: put(old)


SKIPPED = {"annotation", "returns", "decorator_list", "type_params", "bases"}


def _walk(node: ast.AST) -> Iterator[tuple[Any, ast.AST, str, int | None]]:
    """Every node under one, with its place; not what only types or people read."""
    for field, value in ast.iter_fields(node):
        if field in SKIPPED or (isinstance(node, ast.Raise) and field == "exc"):
            continue
        for place, one in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(one, ast.AST) or isinstance(one, ast.JoinedStr | ast.Import | ast.ImportFrom):
                continue
            if isinstance(one, ast.If) and ast.unparse(one.test) == "TYPE_CHECKING":
                continue
            yield one, node, field, place
            yield from _walk(one)


# -- which test runs which line --------------------------------------------------------------------


class Watch:
    """A pytest plugin: coverage by test, what module-wide fixtures ran with every test that uses them."""

    def __init__(self, cov: Any) -> None:
        self.cov, self.seconds = cov, defaultdict(float)
        self.users: dict[str, list[str]] = defaultdict(list)
        self.outcome: dict[str, str] = {}

    def pytest_collection_finish(self, session: Any) -> None:
        for item in session.items:
            for name in getattr(item, "fixturenames", ()):
                self.users[name].append(item.nodeid)

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.seconds[report.nodeid] += report.duration
        if report.failed or report.skipped:
            self.outcome[report.nodeid] = report.outcome

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.cov.switch_context(nodeid)


def _fixture_watch(watch: Watch) -> Any:
    import pytest

    class Fixtures:
        @pytest.hookimpl(wrapper=True)
        def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
            if fixturedef.scope != "function":
                watch.cov.switch_context(f"fixture|{request.node.nodeid}|{fixturedef.argname}")
            try:
                return (yield)
            finally:
                watch.cov.switch_context(request._pyfuncitem.nodeid)
    return Fixtures()


def _measure(copied: Path, modules: list[str], tests: tuple[str, ...], out: Path) -> None:
    """In a child: run the tests once and write which test runs which line, and how long each takes."""
    import coverage
    import pytest

    cov = coverage.Coverage(data_file=None, include=[str(copied / m) for m in modules], config_file=False)
    cov.start()
    watch = Watch(cov)
    code = pytest.main(["-q", *QUIET, *tests, *modules],
                       plugins=[watch, _fixture_watch(watch)])
    cov.stop()
    data = cov.get_data()
    lines: dict[str, dict[int, list[str]]] = {}
    for module in modules:
        by_line = data.contexts_by_lineno(str(copied / module))
        lines[module] = {}
        for line, contexts in by_line.items():
            ids: set[str] = set()
            for c in contexts:
                if c.startswith("fixture|"):
                    _, place, name = c.split("|")
                    ids.update(i for i in watch.users[name] if i.startswith(place))
                elif c:
                    ids.add(c)
            lines[module][line] = sorted(i for i in ids if i not in watch.outcome)
    out.write_text(json.dumps({"exit": int(code), "lines": lines, "seconds": watch.seconds,
                               "not_passed": watch.outcome}))


# -- the run ---------------------------------------------------------------------------------------


class Choice:
    """A pytest plugin: only the chosen tests, files in the given order; and which one failed first."""

    def __init__(self, wanted: list[str]) -> None:
        self.wanted = {nodeid: k for k, nodeid in enumerate(wanted)}
        self.failed = ""

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items[:] = sorted((i for i in items if i.nodeid in self.wanted), key=lambda i: self.wanted[i.nodeid])

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed and not self.failed:
            self.failed = report.nodeid


def chosen(ids: list[str], seconds: dict[str, float], most_s: float) -> list[list[str]]:
    """The tests to run, file by file, the quickest file first, as many as there is time for."""
    by_file: dict[str, list[str]] = defaultdict(list)
    for nodeid in sorted((i for i in ids if seconds[i] <= SLOWEST_S), key=lambda i: seconds[i]):
        by_file[nodeid.split("::")[0]].append(nodeid)
    out: list[list[str]] = []
    spent = 0.0
    for _, several in sorted(by_file.items(), key=lambda f: sum(seconds[i] for i in f[1])):
        taken = []
        for nodeid in several:
            if spent + seconds[nodeid] <= most_s:
                taken.append(nodeid)
                spent += seconds[nodeid]
        out += [taken] if taken else []
    return out


def tests_of(mutant: Mutant, lines: dict[str, list[str]]) -> list[str]:
    """Tests that run a mutant's statement; of what is run at import, all that run anything of the module."""
    first, last = mutant.first, mutant.last
    near = lines.values() if first is None or last is None else [
        lines.get(str(k), []) for k in range(first, last + 1)]
    return sorted({nodeid for several in near for nodeid in several})


def in_child(copied: Path, work: Any, *, timeout_s: float, log: Path) -> int | None:
    """Run ``work`` in a fork with the copy as its folder; its exit code, None where it was ended by time."""
    pid = os.fork()
    if pid == 0:
        code = 70
        try:
            os.setsid()
            os.chdir(copied)
            sys.path.insert(0, str(copied))
            with open(log, "wb") as f:
                os.dup2(f.fileno(), 1)
                os.dup2(f.fileno(), 2)
            code = int(work() or 0)
        except BaseException:                            # told in the log; a child must not go on as a parent
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    os.killpg(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    return None


def _run_tests(wanted: list[str], told: Path) -> int:
    import pytest

    sys.dont_write_bytecode = True
    choice = Choice(wanted)
    file = wanted[0].split("::")[0]
    code = pytest.main(["-x", "-q", *QUIET, "--no-header", "--tb=short", file], plugins=[choice])
    told.write_text(choice.failed)
    return int(code)


def check(mutant: Mutant, copied: Path, tests: list[list[str]], seconds: dict[str, float]) -> dict[str, Any]:
    """Its row: killed (by a failed test or an error on the way), timeout, survived, or uncovered."""
    row = {k: getattr(mutant, k) for k in ("module", "line", "kind", "before", "after")}
    place, told = copied / mutant.module, copied / "told.txt"
    kept = copied / "kept.py"
    shutil.copy2(place, kept)
    place.write_text(mutant.source())
    try:
        for wanted in tests:
            told.write_text("")
            expected = sum(seconds[i] for i in wanted)
            code = in_child(copied, lambda wanted=wanted: _run_tests(wanted, told),
                            timeout_s=30 + 6 * expected, log=copied / "log.txt")
            if code not in (0, 5):                       # 5: none of the file's tests was found
                return {**row, "result": "killed" if code is not None else "timeout",
                        "by": told.read_text() or f"{wanted[0].split('::')[0]}, exit {code}"}
    finally:
        shutil.copy2(kept, place)
    return {**row, "result": "survived" if tests else "uncovered", "by": ""}


def main(argv: list[str] | None = None) -> int:
    """Command line; see the top of the file."""
    ask = argparse.ArgumentParser(description=__doc__,
                                  formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("modules", nargs="+", help="files or folders to put mistakes into")
    ask.add_argument("--tests", nargs="+", default=TESTS, help="tests that may kill")
    ask.add_argument("--warm", nargs="+", default=WARM, help="imported once, before the forks")
    ask.add_argument("--each", type=int, default=40, help="mutants drawn at random from each module; 0 = all")
    ask.add_argument("--seed", type=int, default=2026)
    ask.add_argument("--root", type=Path, default=ROOT)
    ask.add_argument("--most", type=float, default=30.0, help="seconds that the tests of one mutant may take")
    ask.add_argument("--minutes", type=float, default=60.0, help="no new mutant is begun after this")
    ask.add_argument("--kept", type=Path,
                     help="a file for which test runs which line: read if it is there, else written")
    ask.add_argument("--only", help="a list as --out writes it: only its survivors are tried again")
    ask.add_argument("--out", type=Path, required=True)
    told = ask.parse_args(argv)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"                          # before the imports: a fork must not hold threads
    for name in told.warm:
        try:
            __import__(name)
        except ImportError:
            print(f"{name} is not here: not imported before the forks")
    gc.freeze()                                         # pytest collects garbage twice; not what is shared
    root = told.root.resolve()
    files = [p for m in told.modules for p in (sorted((root / m).rglob("*.py")) or [root / m])]
    modules = [str(p.relative_to(root)) for p in files if p.stat().st_size > 200]
    with tempfile.TemporaryDirectory(prefix="mutants-") as place:
        return _all(Path(place).resolve() / "tree", root, modules, told)


def _all(copied: Path, root: Path, modules: list[str], told: argparse.Namespace) -> int:
    shutil.copytree(root, copied, ignore=shutil.ignore_patterns(
        ".git", ".venv", "node_modules", "__pycache__", ".*_cache"))
    print(f"{len(modules)} modules; running the tests once with coverage", flush=True)
    measured = copied / "measured.json"
    begun = time.monotonic()
    if told.kept and told.kept.exists():
        shutil.copy(told.kept, measured)
    elif in_child(copied, lambda: _measure(copied, modules, tuple(told.tests), measured), timeout_s=3600,
                  log=copied / "log.txt") != 0 or not measured.exists():
        print((copied / "log.txt").read_text()[-3000:])
        return 2
    elif told.kept:
        shutil.copy(measured, told.kept)
    seen = json.loads(measured.read_text())
    if not seen["seconds"]:
        print((copied / "log.txt").read_text()[-3000:])
        print("no test ran: nothing would be killed")
        return 2
    if seen["exit"] != 0:
        print((copied / "log.txt").read_text()[-3000:])
        print("not all tests pass without a mutant; those that fail are not used:", seen["not_passed"])
    print(f"{len(seen['seconds'])} tests, {time.monotonic() - begun:.0f} s", flush=True)
    begun = time.monotonic()
    rows, rng = [], random.Random(told.seed)
    again = None
    if told.only:
        again = {(r["module"], r["line"], r["kind"], r["before"], r["after"])
                 for r in json.loads(Path(told.only).read_text()) if r["result"] in ("survived", "uncovered")}
    for module in modules:
        every = mutants((copied / module).read_text("utf-8"), module)
        drawn = every if not told.each or len(every) <= told.each else sorted(
            rng.sample(every, told.each), key=lambda m: m.line)
        if again is not None:
            drawn = [m for m in every if (m.module, m.line, m.kind, m.before, m.after) in again]
        counts: Counter[str] = Counter()
        for mutant in drawn:
            if time.monotonic() - begun > 60 * told.minutes:
                break
            ids = [i for i in tests_of(mutant, seen["lines"][module])
                   if i.startswith((*told.tests, *modules))]
            row = check(mutant, copied, chosen(ids, seen["seconds"], told.most), seen["seconds"])
            rows.append(row)
            counts[row["result"]] += 1
            if row["result"] in ("survived", "uncovered"):
                print(f"  {row['result']}: {module}:{mutant.line} {mutant.kind}: "
                      f"{mutant.before!r} -> {mutant.after!r}", flush=True)
            told.out.write_text(json.dumps(rows, indent=1))
        print(f"{module}: {sum(counts.values())} of {len(every)} mutants: {dict(counts)}"
              f" at {time.monotonic() - begun:.0f} s", flush=True)
    total = Counter(r["result"] for r in rows)
    print(f"all: {len(rows)} mutants: {dict(total)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
