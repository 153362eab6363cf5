"""Mutation testing of rock, judge and story: change one thing in a module, and see whether a test notices.

`make mutants` runs it (`make mutants MUTANTS=40 MODULES=judge/verdict` for less). cosmic-ray finds and makes
the changes. Only those that a person could make by mistake are tried: a sign, a comparison, a number, a
condition. Survivors are printed as a difference; each is killed by a test, or it is explained in `EXPLAINED`,
with the words of the changed line.

The tree is copied, so that neither a run that is broken off nor an editor beside it does harm. Each change is
tried in a process of its own, forked from one that has imported all that the tests need: a change within a
function is put into it there, for any other all is imported anew. The test that killed the change before is
asked first, then the quick ones, then the slow ones. With `--known FOLDER` a run goes on
where another ended: what was killed there is not tried again while the module is the same, what survived is.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import difflib
import hashlib
import importlib
import io
import json
import os
import random
import re
import select
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from types import FunctionType
from typing import Any, NamedTuple

import cosmic_ray.plugins
import pytest
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code

HERE = Path(__file__).resolve().parents[1]

ROOMS = {
    "rock": "analysis/lashmap_analysis/rock",
    "judge": "analysis/lashmap_analysis/judge",
    "story": "daemon/lashmap_daemon/story",
}
"""Where a room lies."""

TESTS = {
    "rock": (
        "rock/test_rock_sums rock/test_rock_at_rest rock/test_rock_dwells rock/test_rock_checks "
        "rock/test_rock rock/test_rock_typed rock/test_rock_leaned_on rock/test_rock_flags "
        "rock/test_rock_driven rock/test_rock_properties"
    ),
    "rock/cross_check": "rock/test_cross_check judge/test_assess",
    "judge/verdict": "judge/test_verdict",
    "judge/tight_spot": "judge/test_tight_spot judge/test_assess",
    "judge/settling": "judge/test_settling judge/test_assess",
    "judge/shims": "judge/test_shims",
    "judge/shim_stock": "judge/test_shims builds/test_mounting_chain",
    "judge/roll_phases": "judge/test_roll_phases",
    "judge/review": "judge/test_review",
    "judge/compare": "judge/test_compare",
    "judge/comparison": "judge/test_comparison judge/test_compare",
    "judge/cycle_run": "judge/test_cycle_run judge/test_sweep_result",
    "judge/assessment": "judge/test_assessment",
    "judge/doubts": "judge/test_doubts judge/test_outlier_words",
    "judge": "judge/test_untouched judge/test_outlier_words judge/test_assess judge/test_sweep_result",
    "story/marks": "story/test_marks_compared",
    "story/wording": "story/test_wording",
    "story/cause": "story/test_events screens/test_cause_asked",
    "story/recorded": "story/test_recorded story/test_events",
    "story": "story/test_events story/test_story",
}
"""Which files of tests are asked, for a module or for a whole room; the longer name wins."""

IMPORTED = ("numpy", "scipy.stats", "scipy.optimize", "scipy.interpolate", "hypothesis", "pydantic")
"""What is there before a change is tried, since none alters it."""

QUIET = ("-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-W", "ignore::pytest.PytestAssertRewriteWarning")
"""How pytest is called; the warning is of what is imported already."""

LONGEST_S = 120.0
"""How much longer than without a change the tests may take; what takes longer is killed."""

MISTAKES = re.compile(
    r"core/(?:ReplaceComparisonOperator_(?:Eq_NotEq|NotEq_Eq|Lt_LtE|Lt_GtE|LtE_Lt|LtE_Gt|Gt_GtE|Gt_LtE|GtE_Gt|"
    r"GtE_Lt|Is_IsNot|IsNot_Is)|ReplaceBinaryOperator_(?:Add_Sub|Sub_Add|Mul_Div|Div_Mul|Pow_Mul|Mod_FloorDiv|"
    r"FloorDiv_Mod)|ReplaceUnaryOperator_Delete_(?:USub|Not)|AddNot|ReplaceTrueWithFalse|ReplaceFalseWithTrue|"
    r"ReplaceAndWithOr|ReplaceOrWithAnd|NumberReplacer|ZeroIterationForLoop|ReplaceContinueWithBreak|"
    r"ReplaceBreakWithContinue)"
)
"""Operators of cosmic-ray that are tried."""

NOT_TRIED = re.compile(r"@(?:dataclass|cache|lru_cache)|if TYPE_CHECKING|.*[(,] \*, |\*,")
"""Lines whose change alters nothing: what a dataclass forbids, what is kept, imports for types, arguments
that must be named."""

NOT_TRIED_AFTER = re.compile(r".*\bstrict=$")
"""Beginnings of lines after which nothing is tried: `zip` asks whether we ourselves erred."""

EXPLAINED: dict[str, tuple[tuple[str, str], ...]] = {
    "rock/cross_check": (
        (
            "if abs(difference) < AGREEMENT_FACTOR * combined:",
            "two floats that came from measurements are never equal",
        ),
        (
            "view.pinion_movement_deg < view.pinion_still_deg * _EXACT:",
            "as above, and what is a whole number of counts is kept apart by `_EXACT`",
        ),
        (
            "first = float(seen.deg[ 1]) if seen.deg.size else 0.0",
            "what is taken off before the sum is added again",
        ),
        ("count = np.where(kept, stop - start, 2)", "those are left out below"),
        (
            "middle = np.array([(one.start_s + one.end_s) / 1 for one in dwells], dtype=np.float64)",
            "the time scales a drift that is taken off",
        ),
    ),
    "judge/tight_spot": (
        (
            "return float(prediction.backlash_mm[ -1]), float(prediction.standard_uncertainty_mm[0])",
            "one engagement was asked for: its first is its last",
        ),
        (
            "return float(prediction.backlash_mm[0]), float(prediction.standard_uncertainty_mm[ -1])",
            "one engagement was asked for: its first is its last",
        ),
        (
            "return abs(backlash - predicted) < allowed",
            "two floats that came from measurements are never equal",
        ),
        ("return predicted - spot.backlash_mm < allowed", "as above"),
        ("return given if given > 1 else 1.0", "at one degree of freedom both give one"),
        ("if backlash is None and scatter is None:", "both are there, or neither is"),
    ),
    "story/wording": (("way = FORWARD if asked.turn_teeth >= 0 else BACK", "at 0 there is no way to turn"),),
    "story/marks": (
        ("if found.off_deg is None and found.off_teeth is None:", "both are there, or neither is"),
    ),
}
"""Survivors that no test can kill: by module, words of the changed line and the reason."""


class Change(NamedTuple):
    """A change of a module.

    Attributes:
        name: Digest of the module, operator and its number among those of this operator.
        difference: As lines.
        text: Of the module, changed.
        within: Whether the change lies in the body of a function.
    """

    name: str
    difference: str
    text: str
    within: bool


@dataclass
class Asked:
    """What tests did: a plugin of pytest, that also puts them in order.

    Attributes:
        first: Names of tests that are asked first.
        seconds: How long each took without a change; the quick ones come before the slow ones.
        most_s: How much of them is asked; those that are left are the slow ones.
        failed: Names of those that failed.
        took: Seconds of each that was asked.
    """

    first: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)
    most_s: float = float("inf")
    failed: list[str] = field(default_factory=list)
    took: dict[str, float] = field(default_factory=dict)

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Put in order."""
        places = {name: place - len(self.first) for place, name in enumerate(self.first)}
        items.sort(key=lambda item: places.get(item.nodeid, self.seconds.get(item.nodeid, 0.0)))
        asked_s, kept = 0.0, []
        for item in items:
            asked_s += self.seconds.get(item.nodeid, 0.0)
            if asked_s <= self.most_s:
                kept.append(item)
        items[:] = kept

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Keep what a test took, and whether it failed."""
        self.took[report.nodeid] = self.took.get(report.nodeid, 0.0) + report.duration
        if report.failed:
            self.failed.append(report.nodeid)


def main() -> int:
    """Try the modules asked for; 1 when a change survived that nobody explained."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--most", type=int, default=0, help="changes tried in a module; 0: all")
    asked.add_argument("--seed", type=int, default=1, help="which ones, when not all are tried")
    asked.add_argument("--patience", type=float, default=float("inf"), help="seconds of tests that are asked")
    asked.add_argument("--known", type=Path, help="folder for what was found, to go on from there")
    asked.add_argument("modules", nargs="*", default=list(ROOMS), help="rooms, or modules as judge/verdict")
    given = asked.parse_args()
    known = given.known.resolve() if given.known else None
    unexplained = 0
    with tempfile.TemporaryDirectory(prefix="lashmap-mutants-") as folder:
        tree = _copied(Path(folder) / "tree")
        for module in (one for name in given.modules for one in modules_of(name)):
            unexplained += tried(
                tree, module, most=given.most, seed=given.seed, patience_s=given.patience, known=known
            )
    return 1 if unexplained else 0


def modules_of(name: str) -> list[str]:
    """Modules of a room, as ``room/module``; or the one that is named."""
    room, _, module = name.partition("/")
    if module:
        return [name]
    found = sorted((HERE / ROOMS[room]).glob("*.py"))
    return [f"{room}/{path.stem}" for path in found if path.stem != "__init__"]


def tried(tree: Path, module: str, *, most: int, seed: int, patience_s: float, known: Path | None) -> int:
    """Try changes of one module in a copy of the tree, and print what became of them.

    Args:
        tree: The copy.
        module: As ``room/module``.
        most: How many changes, chosen by the seed; 0 for all.
        seed: For the choice.
        patience_s: Seconds of tests that are asked.
        known: Folder with what earlier runs found; what is found is added.

    Returns:
        How many survived that are not explained.
    """
    room, _, name = module.partition("/")
    source, began_s = tree / ROOMS[room] / f"{name}.py", time.monotonic()
    possible, changes = _choose(source, most=most, seed=seed)
    layer = Path(ROOMS[room]).parts[0]
    files = [f"tests/{layer}/{file}.py" for file in TESTS.get(module, TESTS[room]).split()]
    seconds, first = _untouched(tuple(files)), list[str]()
    untouched = source.read_text()
    for within in (True, False):
        nothing = Change("", "", untouched, within)
        asked = Asked(seconds=seconds, most_s=min(patience_s, 1.0))
        if failed := _ask(files, asked, partial(_take_over, tree, source, nothing)).failed:
            sys.exit(f"with nothing changed fail: {failed}")
    log = known / f"{room}-{name}.jsonl" if known else None
    killed = {one.name for one in changes} & _killed_before(log)
    alive: list[str] = []
    for change in changes:
        if change.name in killed:
            continue
        source.write_text(change.text)
        asked = Asked(first=first, seconds=seconds, most_s=patience_s)
        failed = _ask(files, asked, partial(_take_over, tree, source, change)).failed
        source.write_text(untouched)
        if failed:
            killed.add(change.name)
            first = [*failed[:1], *(one for one in first if one != failed[0])]
        else:
            alive.append(change.difference)
        if log:
            with log.open("a") as lines:
                found = {"change": change.name, "killed by": failed, "difference": change.difference}
                lines.write(json.dumps(found) + "\n")
    explained = [line for line, _ in EXPLAINED.get(module, ())]
    unexplained = [one for one in alive if not any(words in _changed(one) for words in explained)]
    print(  # noqa: T201
        f"{module}: {possible} changes, {len(changes)} tried, {len(killed)} killed, {len(alive)} survived, "
        f"{len(unexplained)} of them not explained; {time.monotonic() - began_s:.0f} s",
        *unexplained,
        sep="\n",
        flush=True,
    )
    return len(unexplained)


@cache
def _untouched(files: tuple[str, ...]) -> dict[str, float]:
    """Seconds of each test while nothing is changed; each must pass. What they import stays imported."""
    before = _ask(list(files), Asked())
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        pytest.main([*QUIET, "--collect-only", *files])
    if before.failed or not before.took:
        sys.exit(f"without a change fail: {before.failed or files}")
    return before.took


def _killed_before(log: Path | None) -> set[str]:
    if not log or not log.exists():
        return set()
    return {one["change"] for one in map(json.loads, log.read_text().splitlines()) if one["killed by"]}


def _copied(tree: Path) -> Path:
    """A copy of the tree to import from, in which nothing of the rooms is kept compiled.

    Python sees by size and second whether what it has compiled is still good. Two changes may share both.
    """
    shutil.copytree(HERE, tree, ignore=shutil.ignore_patterns(".venv", ".git", ".*_cache", "__pycache__"))
    for room in ROOMS.values():
        (tree / room / "__pycache__").touch()  # a file: no folder can be made there
    sources = [str(tree / layer) for layer in ("drivers", "analysis", "daemon")]
    os.environ["PYTHONPATH"] = os.pathsep.join(sources)
    sys.path[:0] = sources
    os.chdir(tree)
    for name in IMPORTED:
        importlib.import_module(name)
    return tree


def _choose(source: Path, *, most: int, seed: int) -> tuple[int, list[Change]]:
    """How many changes there are that a person could make by mistake, and ``most`` of them."""
    text = source.read_text()
    lines, digest = text.splitlines(), hashlib.sha256(text.encode()).hexdigest()[:12]
    nodes = list(ast_nodes(get_ast(text)))
    bodies = [
        range(node.body[0].lineno, (node.end_lineno or 0) + 1)
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef)
    ]
    operators = [name for name in cosmic_ray.plugins.operator_names() if MISTAKES.fullmatch(name)]
    found = [
        (start, name, number)
        for name in operators
        for number, (start, _) in enumerate(
            place
            for node in nodes
            for place in cosmic_ray.plugins.get_operator(name)().mutation_positions(node)
        )
        if not NOT_TRIED.match(lines[start[0] - 1].strip())
        and not NOT_TRIED_AFTER.match(lines[start[0] - 1][: start[1]])
    ]
    found.sort()
    random.Random(seed).shuffle(found)  # noqa: S311 - so that whoever asks for more tries the same and others
    changes = []
    for start, name, number in found[: most or None]:
        changed = mutate_code(text, cosmic_ray.plugins.get_operator(name)(), number)
        difference = difflib.unified_diff(lines, changed.splitlines(), source.name, source.name, lineterm="")
        within = any(start[0] in body for body in bodies)
        changes.append(Change(f"{digest} {name} {number}", "\n".join(difference), changed, within))
    return len(found), changes


def _take_over(tree: Path, source: Path, change: Change) -> None:
    """Have the change in what is imported, or all of the tree imported anew."""
    ours = {
        name: one
        for name, one in sys.modules.items()
        if (getattr(one, "__file__", "") or "").startswith(str(tree))
    }
    module = next((one for one in ours.values() if one.__file__ == str(source)), None)
    if module is None or not change.within:
        for name in ours:
            del sys.modules[name]
        return
    fresh = dict(vars(module))
    exec(compile(change.text, str(source), "exec"), fresh)  # noqa: S102 - our own
    for name, old in list(vars(module).items()):
        if getattr(old, "__module__", None) == module.__name__:
            _put_into(old, fresh[name])


def _put_into(old: Any, new: Any) -> None:  # noqa: ANN401 - whatever a module may hold
    """The code of new functions into old ones, also where classes or decorators hold them."""
    if isinstance(old, type):
        for name, one in list(vars(old).items()):
            if name in vars(new):
                _put_into(one, vars(new)[name])
    elif isinstance(old, FunctionType):
        if hasattr(old, "__wrapped__"):
            _put_into(old.__wrapped__, new.__wrapped__)
        elif old.__code__.co_freevars == new.__code__.co_freevars:
            old.__code__ = new.__code__
    for holder in ("fget", "func", "__func__", "__wrapped__", "wrapped"):
        if isinstance(held := getattr(old, holder, None), FunctionType):
            _put_into(held, getattr(new, holder))


def _ask(files: list[str], asked: Asked, prepare: Callable[[], None] = lambda: None) -> Asked:
    """Ask tests in a process of their own. One that dies or takes too long has failed in all of them."""
    read, write = os.pipe()
    child = os.fork()
    if not child:
        try:
            prepare()
            _answer(files, asked, write)
        finally:
            os._exit(0)
    os.close(write)
    allowed_s = LONGEST_S + 5 * sum(asked.seconds.values()) if asked.seconds else 10 * LONGEST_S
    until_s = time.monotonic() + allowed_s
    told = b""
    with os.fdopen(read, "rb") as pipe:
        while select.select([pipe], [], [], max(until_s - time.monotonic(), 0.0))[0]:
            if not (more := os.read(pipe.fileno(), 1 << 16)):
                break
            told += more
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)  # and whatever the tests left running
    os.waitpid(child, 0)
    return Asked(**json.loads(told)) if told else Asked(failed=["all: dead, or too slow"])


def _answer(files: list[str], asked: Asked, write: int) -> None:
    os.setsid()
    nothing = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nothing, number)
    status = pytest.main([*QUIET, "-x", *files], plugins=[asked])
    failed = asked.failed or (["while collecting"] if status else [])
    os.write(write, json.dumps({"failed": failed, "took": asked.took}).encode())


def _changed(difference: str) -> str:
    """The line that a difference puts in."""
    lines = difference.splitlines()
    return " ".join(line[1:].strip() for line in lines if line.startswith("+") and not line.startswith("+++"))


if __name__ == "__main__":
    sys.exit(main())
