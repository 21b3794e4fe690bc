# Everything a newcomer or a contributor types. Each target sets itself up first.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
ifeq ($(OS),Windows_NT)
BIN := $(VENV)/Scripts
endif

# What CI has no time for.
SLOW := tests/faults tests/trace tests/test_benchmarks.py \
	tests/end_to_end/test_answers.py tests/end_to_end/test_commands.py tests/end_to_end/test_propose.py \
	tests/end_to_end/test_runs.py tests/end_to_end/test_soak.py tests/end_to_end/test_watch.py \
	tests/end_to_end/test_wheel.py tests/flows/test_scheduler.py tests/intake/test_filing_answers.py \
	tests/intake/test_suspects.py \
	tests/sample_exports/test_generate.py

.PHONY: demo test check lint types bench calibrate fuzz slow docs clean help

help:  ## say what there is
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/'

$(VENV)/.run: pyproject.toml
	$(PYTHON) -c "import sys; sys.exit('yardmark needs Python 3.11 or newer') if sys.version_info < (3, 11) else None"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet -e .
	@touch $@

$(VENV)/.dev: $(VENV)/.run
	$(BIN)/python -m pip install --quiet -e ".[dev]"
	@touch $@

demo: $(VENV)/.run  ## set up, run the main job on the sample exports, say where to look
	$(BIN)/yardmark demo demo

test: $(VENV)/.dev  ## run the tests (but those of make slow)
	$(BIN)/python -m pytest -n 3 --dist worksteal $(SLOW:%=--ignore=%)

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.dev
	$(BIN)/mypy

check: lint types test  ## lint, types, tests: what CI runs

bench: $(VENV)/.dev  ## print how fast the numbers are made, beside other ways of making them (half an hour, 5 GB of disk)
	$(BIN)/python -m tests.benchmarks

calibrate: $(VENV)/.dev  ## simulate athletes of known truth: how often are the verdicts right? (minutes)
	$(BIN)/python -m tests.calibration

COUNT ?= 1000000
SEED ?= 1
slow: $(VENV)/.dev  ## run the tests that take long: kills, full disks, watching, whole runs (a quarter of an hour)
	$(BIN)/python -m pytest -n 2 -s $(SLOW)

fuzz: $(VENV)/.dev  ## damage sample exports COUNT times and hold intake to the law of rows (hours; SEED: other damage)
	$(BIN)/python -m tests.fuzz --count $(COUNT) --seed $(SEED)

clean:  ## remove the environment and the demo
	rm -rf $(VENV) demo build dist
