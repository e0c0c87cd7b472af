# make help lists the targets.
.DEFAULT_GOAL := help
RUN ?= runs/hill-school
BASE_PYTHON ?= python3
PYTHON := .venv/bin/python
export OPENBLAS_NUM_THREADS ?= 1

.PHONY: help env report test oldest check lint types lab bench simulate fuzz soak clean

help:  ## list the targets
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 12

env: .venv/made  ## make the environment from the lock file

.venv/made: requirements.lock pyproject.toml
	@$(BASE_PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; say make BASE_PYTHON=python3.11")'
	@echo "Making the environment from requirements.lock ..."
	@$(BASE_PYTHON) -m venv --clear .venv
	@$(PYTHON) -m pip install --quiet --disable-pip-version-check --no-deps --require-hashes --requirement requirements.lock
	@$(PYTHON) -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch .venv/made

report: env  ## the standard report of a run folder: make report RUN=folder
	@$(PYTHON) -m kit report "$(RUN)"

check: env  ## read a run folder and list every fault: make check RUN=folder
	@$(PYTHON) -m kit check "$(RUN)"

test: env  ## the whole test suite
	@$(PYTHON) -m pytest -n auto

oldest:  ## the suite with the oldest versions that pyproject.toml allows
	@$(BASE_PYTHON) -m venv --clear .venv-oldest
	@.venv-oldest/bin/python -m pip install --quiet --no-deps --require-hashes --requirement tests/oldest.lock
	@.venv-oldest/bin/python -m pip install --quiet --no-deps --no-build-isolation --editable .
	@.venv-oldest/bin/python -m pytest -n auto

lint: env  ## style, docstrings and types
	@$(PYTHON) -m ruff check .
	@$(PYTHON) -m ruff format --check .
	@$(PYTHON) -m mypy

lab: env  ## JupyterLab on the templates
	@$(PYTHON) -m jupyterlab --notebook-dir=templates

bench: env  ## time the kit against its yardsticks, as ratios in one run
	@for script in tests/bench/bench_*.py; do $(PYTHON) $$script || exit 1; done

simulate: env  ## the simulation tables (hours on a small machine)
	@$(PYTHON) -m tests.simulate
	@for each in judging curves planning; do $(PYTHON) -m tests.simulate.$$each || exit 1; done

fuzz: env  ## generated and mutated logs: make fuzz REAL=folder adds real ones
	@$(PYTHON) -m tests.fuzz $(if $(REAL),--real "$(REAL)")

soak: env  ## faults, odd places and sizes as one table (about an hour)
	@$(PYTHON) -m tests.soak

clean:  ## remove the environment and caches, never reports
	@rm -rf .venv .venv-oldest .mypy_cache .ruff_cache .hypothesis
