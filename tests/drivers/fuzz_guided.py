"""Coverage-guided fuzzing of the parsers with atheris.

It runs until it is stopped, or as the options of libFuzzer say:

PYTHONPATH=tests python tests/drivers/fuzz_guided.py -max_total_time=600
"""

from __future__ import annotations

import sys

import atheris

with atheris.instrument_imports(include=["lashmap_drivers"]):
    from drivers import fuzz_parsers

if __name__ == "__main__":
    atheris.Setup(sys.argv, fuzz_parsers.one_input)
    atheris.Fuzz()
