# sidegear: `make demo` shows it at work, `make test` sets up and runs every check. Needs Python 3.11+ and make.

VENV    = .venv
BIN     = $(VENV)/bin
PIP     = $(BIN)/python -m pip --disable-pip-version-check
# Wheels only: a missing one is then a clear message, not a compiler at work for half an hour.
INSTALL = $(PIP) install --quiet --only-binary=:all: --require-hashes
# Worker processes for the tests.
WORKERS ?= 2
PYTEST_ARGS ?=

ready_to_run  = $(VENV)/.ready-to-run
ready_to_test = $(VENV)/.ready-to-test

.PHONY: help demo test test-slow lint format bench evidence methods sample-logs lock setup clean

help:
	@echo "make demo         analyse the sample logs, print the findings and where the report is"
	@echo "make test         set up everything for the tests, check style and types, run the tests"
	@echo "make test-slow    the tests that take minutes (many simulated sessions)"
	@echo "make lint         style, types and import rules only"
	@echo "make format       put the code into the house format"
	@echo "make bench        time the main job, stage by stage"
	@echo "make evidence     hold the numbers against the truth of many simulated runs (RUNS=100)"
	@echo "make methods      compare ways of reading the torque split off the wheels"
	@echo "make sample-logs  drive the invented test day again and write its logs"
	@echo "make lock         choose package versions again and write both lock files"
	@echo "make setup        only make .venv with everything for working on sidegear"
	@echo "make clean        remove .venv and everything that tools left behind"

demo: $(ready_to_run)
	@$(BIN)/sidegear demo

test: lint
	@.ci/announce-browser
	$(BIN)/python -m pytest -n $(WORKERS) -m "not slow" $(PYTEST_ARGS)

test-slow: $(ready_to_test)
	$(BIN)/python -m pytest -n $(WORKERS) -m slow $(PYTEST_ARGS)

lint: $(ready_to_test)
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo

format: $(ready_to_test)
	$(BIN)/ruff check --fix-only --quiet
	$(BIN)/ruff format

bench: $(ready_to_test)
	$(BIN)/python tests/benchmarks/run.py
	$(BIN)/python tests/benchmarks/page.py
	$(BIN)/python tests/benchmarks/season.py

RUNS ?= 100
evidence: $(ready_to_test)
	PYTHONPATH=tests:. $(BIN)/python -m study.evidence_table --runs $(RUNS)

methods: $(ready_to_test)
	PYTHONPATH=tests:. $(BIN)/python -m study.methods

sample-logs: $(ready_to_test)
	PYTHONPATH=tests $(BIN)/python -m circuit_car.sample_day
	PYTHONPATH=tests $(BIN)/python -m circuit_car.sample_season

setup: $(ready_to_test)

# One environment, two stamps: the demo needs only the run-time packages, the tests need all of them.
# The versions in both lock files agree, so either may be installed over the other.

$(ready_to_run): requirements.lock pyproject.toml
	@.ci/make-venv $(VENV)
	@echo "Installing what sidegear runs on (first time only) ..."
	@$(INSTALL) -r requirements.lock
	@$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

$(ready_to_test): requirements-dev.lock requirements.lock pyproject.toml
	@.ci/make-venv $(VENV)
	@echo "Installing what the tests need (first time only) ..."
	@$(INSTALL) -r requirements-dev.lock
	@$(PIP) install --quiet --no-deps --no-build-isolation --editable .
	@touch $(ready_to_run) $@

# --universal and one version for every Python and platform; hashes of every wheel; no index is named in the files.
RESOLVE = .venv-lock/bin/uv pip compile pyproject.toml --quiet --universal --python-version 3.11 \
	--fork-strategy fewest --generate-hashes --no-emit-index-url --custom-compile-command "make lock"
# `make lock UPGRADE=` keeps every version that still fits.
UPGRADE ?= --upgrade

lock:
	@.ci/make-venv .venv-lock
	@.venv-lock/bin/python -m pip --disable-pip-version-check install --quiet --upgrade uv
	$(RESOLVE) $(UPGRADE) --group dev --output-file requirements-dev.lock
	$(RESOLVE) $(UPGRADE) --group build --constraint requirements-dev.lock --output-file requirements.lock

clean:
	rm -rf $(VENV) .venv-lock sidegear-demo build dist *.egg-info
	rm -rf .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	find loaders pipeline reports tests -name __pycache__ -type d -prune -exec rm -rf {} +
