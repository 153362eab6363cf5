# Both `make demo` and `make test` work on a fresh clone with Python >= 3.11 and make alone.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint .constraints.txt

.PHONY: demo test installed check lint format types arrows golden coverage benchmark fuzz mutants attack pictures constraints clean

$(VENV)/.runtime: pyproject.toml .constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "lashmap needs Python 3.11 or newer; say which one with: make PYTHON=/path/to/python3.11 $(MAKECMDGOALS)"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(INSTALL) --editable .
	@touch $@

$(VENV)/.dev: $(VENV)/.runtime
	$(INSTALL) --editable '.[dev]'
	@touch $@

demo: $(VENV)/.runtime  ## the main job on a simulated stand, about a minute and a half
	$(BIN)/lashmap demo

# More than there are cores: many tests wait for instruments, brokers and processes in real time.
WORKERS ?= 4

test: $(VENV)/.dev  ## every test but the benchmarks and the full attacks
	$(BIN)/python -m pytest -n $(WORKERS) --dist worksteal

installed: $(VENV)/.dev  ## build the wheel, install it away from the clone, run it there
	PYTHON=$(CURDIR)/$(BIN)/python .ci/installed

check: lint format types arrows  ## everything a machine can say about the code without running it

lint: $(VENV)/.dev
	$(BIN)/ruff check .

format: $(VENV)/.dev
	$(BIN)/ruff format --check .

types: $(VENV)/.dev
	$(BIN)/mypy

arrows: $(VENV)/.dev
	$(BIN)/lint-imports --no-cache

golden: $(VENV)/.dev  ## make the golden set anew (needs pdftotext); git diff says what changed
	$(BIN)/python tests/golden/make_golden.py

coverage: $(VENV)/.dev  ## every test, and which lines and branches of the program they run
	$(BIN)/python -m pytest -n 2 --cov --cov-report=term

benchmark: $(VENV)/.dev  ## accuracy and speed, side by side with the alternatives; minutes
	for script in tests/benchmarks/bench_*.py; do $(BIN)/python $$script || exit 1; done

pictures: $(VENV)/.dev  ## make the README's pictures anew (the report's needs chromium)
	$(BIN)/python tests/make_pictures.py

FUZZ_MILLION ?= 10
FUZZ_SECONDS ?= 600

fuzz: $(VENV)/.dev  ## hostile bytes for every parser, new examples for property tests, then guided by coverage
	PYTHONPATH=tests $(BIN)/python tests/drivers/fuzz_parsers.py $(FUZZ_MILLION)
	LASHMAP_RANDOM_EXAMPLES=1 $(BIN)/python -m pytest -n 2 -q $$(grep -rl "from hypothesis" tests --include='test_*.py')
	$(INSTALL) --editable '.[fuzz]'
	PYTHONPATH=tests $(BIN)/python tests/drivers/fuzz_guided.py -max_total_time=$(FUZZ_SECONDS)

MODULES ?= rock judge story
MUTANTS ?= 0

mutants: $(VENV)/.dev  ## change rock, judge and story in small ways, one at a time: does a test notice? hours
	$(INSTALL) --editable '.[mutants]'
	$(BIN)/python tests/make_mutants.py --most $(MUTANTS) $(MODULES)

KILLS ?= 100
BROKERS ?= 50
LOGBOOKS ?= 500
TRACES ?= 10000
FLIPS ?= 5
ATTACK_SEED ?= 1

attack: $(VENV)/.dev  ## kills, dead brokers, damaged logbooks, bad cables; half an hour
	PYTHONPATH=tests $(BIN)/python -m attack.campaign --seed $(ATTACK_SEED) --kills $(KILLS) --brokers $(BROKERS) \
		--logbooks $(LOGBOOKS) --traces $(TRACES) --flips $(FLIPS)

constraints:  ## renew the pinned versions (needs uv)
	uv pip compile pyproject.toml --universal --python-version 3.11 --all-extras --no-header --output-file .constraints.txt

clean:
	rm -rf $(VENV) demo-output .mypy_cache .ruff_cache .pytest_cache .hypothesis
