"""Processor time of the command line's start, beside a bare interpreter and the imports a command needs.

The bar: ``lashmap --help`` under 0.25 s of processor time.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys

BAR_S = 0.25
REPEATS = 7
CASES = {
    "python, nothing imported": ["-c", "pass"],
    "import typer": ["-c", "import typer"],
    "lashmap --help": ["-m", "lashmap_daemon", "--help"],
    "lashmap list --help": ["-m", "lashmap_daemon", "list", "--help"],
    "all that a run imports": ["-c", "import lashmap_daemon.commands.run"],
}


def processor_s(words: list[str]) -> float:
    """Processor time of one child process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    """Print the table; returns the exit status."""
    print("| start | processor time, s (median of 7) |\n| --- | --: |")
    found = {}
    for name, words in CASES.items():
        found[name] = statistics.median(processor_s(words) for _ in range(REPEATS))
        print(f"| {name} | {found[name]:.3f} |")
    return int(found["lashmap --help"] > BAR_S)


if __name__ == "__main__":
    sys.exit(main())
