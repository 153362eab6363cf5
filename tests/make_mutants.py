"""Mutation testing of rock, judge and story: change one thing in a module, and see whether a test notices.

`make mutants` runs it (`make mutants MUTANTS=40 MODULES=judge/verdict` for less). cosmic-ray makes the
changes in a copy of the tree, so that a run that is broken off leaves nothing behind. Only changes that a
person could make by mistake are tried: a sign, a comparison, a number, a condition. Survivors are printed as
a difference; each is killed by a test, or it is explained in `EXPLAINED`, with the words of the changed line.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.work_db import WorkDB, use_db
from cosmic_ray.work_item import WorkerOutcome, WorkResult

HERE = Path(__file__).resolve().parents[1]
ROOMS = {
    "rock": "analysis/lashmap_analysis/rock",
    "judge": "analysis/lashmap_analysis/judge",
    "story": "daemon/lashmap_daemon/story",
}
"""Where a room lies."""

TESTS = {
    "rock": ["tests/analysis/rock"],
    "judge/verdict": ["tests/analysis/judge/test_verdict.py"],
    "judge/tight_spot": ["tests/analysis/judge/test_tight_spot.py", "tests/analysis/judge/test_assess.py"],
    "judge/settling": ["tests/analysis/judge/test_settling.py"],
    "judge/shims": ["tests/analysis/judge/test_shims.py"],
    "judge/shim_stock": [
        "tests/analysis/judge/test_shims.py",
        "tests/analysis/builds/test_mounting_chain.py",
    ],
    "judge/roll_phases": ["tests/analysis/judge/test_roll_phases.py"],
    "judge/review": ["tests/analysis/judge/test_review.py"],
    "judge/compare": ["tests/analysis/judge/test_compare.py"],
    "judge/comparison": ["tests/analysis/judge/test_compare.py"],
    "judge": ["tests/analysis/judge"],
    "story/marks": ["tests/daemon/story/test_marks_compared.py"],
    "story": ["tests/daemon/story", "tests/daemon/testing/test_conductor.py", "tests/daemon/logbook"],
}
"""Which tests are asked, for a module or for a whole room; the longer name wins."""

MISTAKES = re.compile(
    r"core/(?:ReplaceComparisonOperator_(?:Eq_NotEq|NotEq_Eq|Lt_LtE|Lt_GtE|LtE_Lt|LtE_Gt|Gt_GtE|Gt_LtE|GtE_Gt|"
    r"GtE_Lt|Is_IsNot|IsNot_Is)|ReplaceBinaryOperator_(?:Add_Sub|Sub_Add|Mul_Div|Div_Mul|Pow_Mul|Mod_FloorDiv|"
    r"FloorDiv_Mod)|ReplaceUnaryOperator_Delete_(?:USub|Not)|AddNot|ReplaceTrueWithFalse|ReplaceFalseWithTrue|"
    r"ReplaceAndWithOr|ReplaceOrWithAnd|NumberReplacer|ZeroIterationForLoop|ReplaceContinueWithBreak|"
    r"ReplaceBreakWithContinue)"
)
"""Operators of cosmic-ray that are tried."""

NOT_TRIED = re.compile(r"@dataclass|if TYPE_CHECKING|.*[(,] \*, |\*,")
"""Lines whose change alters nothing: imports for types, keyword-only arguments, what a dataclass forbids."""

EXPLAINED: dict[str, tuple[tuple[str, str], ...]] = {
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
    "story/marks": (
        ("if found.off_deg is None and found.off_teeth is None:", "both are there, or neither is"),
    ),
}
"""Survivors that no test can kill: by module, the changed line and the reason."""


@dataclass(frozen=True)
class Outcome:
    """What became of the changes of one module.

    Attributes:
        possible: Changes that there are.
        tried: Of these.
        killed: Of those tried; the rest survived.
        survivors: Difference of each survivor that is not explained.
        seconds: How long it took.
    """

    possible: int
    tried: int
    killed: int
    survivors: list[str]
    seconds: float


def main() -> int:
    """Try the modules asked for; 1 when a change survived that nobody explained."""
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--most", type=int, default=0, help="changes tried in a module; 0: all")
    asked.add_argument("--seed", type=int, default=1, help="which ones, when not all are tried")
    asked.add_argument("modules", nargs="*", default=list(ROOMS), help="rooms, or modules as judge/verdict")
    given = asked.parse_args()
    unexplained = 0
    with tempfile.TemporaryDirectory(prefix="lashmap-mutants-") as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(HERE, tree, ignore=shutil.ignore_patterns(".venv", ".git", ".*_cache", "__pycache__"))
        for module in (one for name in given.modules for one in modules_of(name)):
            outcome = tried(tree, module, most=given.most, seed=given.seed)
            unexplained += len(outcome.survivors)
            print(  # noqa: T201
                f"{module}: {outcome.possible} changes, {outcome.tried} tried, {outcome.killed} killed, "
                f"{outcome.tried - outcome.killed} survived, {len(outcome.survivors)} of them unexplained; "
                f"{outcome.seconds:.0f} s",
                *outcome.survivors,
                sep="\n",
                flush=True,
            )
    return 1 if unexplained else 0


def modules_of(name: str) -> list[str]:
    """Modules of a room, as ``room/module``; or the one that is named."""
    room, _, module = name.partition("/")
    if module:
        return [name]
    found = sorted((HERE / ROOMS[room]).glob("*.py"))
    return [f"{room}/{path.stem}" for path in found if path.stem != "__init__"]


def tried(tree: Path, module: str, *, most: int, seed: int) -> Outcome:
    """Try the changes of one module in a copy of the tree.

    Args:
        tree: The copy; cosmic-ray takes back each change.
        module: As ``room/module``.
        most: How many, chosen by the seed; 0 for all.
        seed: For the choice.
    """
    room, _, name = module.partition("/")
    tests = " ".join(TESTS.get(module, TESTS[room]))
    source = tree / ROOMS[room] / f"{name}.py"
    session, config = tree / f"{room}-{name}.sqlite", tree / f"{room}-{name}.toml"
    command = f"{sys.executable} -m pytest -x -q --no-header -p no:cacheprovider -p no:xdist {tests}"
    config.write_text(
        "[cosmic-ray]\n"
        f"module-path = {json.dumps(str(source.relative_to(tree)))}\n"
        "timeout = 300.0\n"
        "excluded-modules = []\n"
        f"test-command = {json.dumps(command)}\n"
        '[cosmic-ray.distributor]\nname = "local"\n'
    )
    began_s = time.monotonic()
    _cosmic_ray(tree, "baseline", config.name)
    _cosmic_ray(tree, "init", config.name, session.name)
    possible, chosen = _choose(session, source.read_text().splitlines(), most=most, seed=seed)
    _cosmic_ray(tree, "exec", config.name, session.name)
    with use_db(str(session), WorkDB.Mode.open) as database:
        results = {job: result for job, result in database.results if job in chosen}
    alive = [result.diff or "" for result in results.values() if not result.is_killed]
    explained = [line for line, _ in EXPLAINED.get(module, ())]
    return Outcome(
        possible=possible,
        tried=len(results),
        killed=len(results) - len(alive),
        survivors=[diff for diff in alive if _changed(diff) not in explained],
        seconds=time.monotonic() - began_s,
    )


def _choose(session: Path, lines: list[str], *, most: int, seed: int) -> tuple[int, set[str]]:
    """Skip what nobody does by mistake, and all but ``most`` of the rest; how many there are, which stay."""
    with use_db(str(session), WorkDB.Mode.open) as database:
        items = {
            (one.start_pos, one.operator_name, one.occurrence): item.job_id
            for item in database.work_items
            for one in item.mutations
        }
        usual = [
            job
            for (start, operator, _), job in sorted(items.items())
            if MISTAKES.fullmatch(operator) and not NOT_TRIED.match(lines[start[0] - 1].strip())
        ]
        chosen = set(random.Random(seed).sample(usual, most) if 0 < most < len(usual) else usual)  # noqa: S311
        for job in items.values():
            if job not in chosen:
                database.set_result(job, WorkResult(worker_outcome=WorkerOutcome.SKIPPED))
    return len(usual), chosen


def _changed(diff: str) -> str:
    """The line that a difference puts in."""
    added = [
        line[1:].strip() for line in diff.splitlines() if line.startswith("+") and not line.startswith("+++")
    ]
    return " ".join(added)


def _cosmic_ray(tree: Path, *words: str) -> None:
    sources = os.pathsep.join(str(tree / layer) for layer in ("drivers", "analysis", "daemon"))
    program = Path(sys.executable).with_name("cosmic-ray")
    done = subprocess.run(
        [program, *words],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": sources, "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        sys.exit(
            f"cosmic-ray {words[0]} ended with {done.returncode}:\n{done.stdout[-2000:]}{done.stderr[-2000:]}"
        )


if __name__ == "__main__":
    sys.exit(main())
