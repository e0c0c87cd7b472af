# make help lists the targets.
.DEFAULT_GOAL := help
RUN ?= runs/hill-school
BASE_PYTHON ?= python3
PYTHON := .venv/bin/python
UV := $(shell command -v uv 2>/dev/null)
LOCKED := tests/locks
export OPENBLAS_NUM_THREADS ?= 1
unexport PYTHONDONTWRITEBYTECODE  # or every process compiles all its libraries anew: seconds each
SHELL := bash
.SHELLFLAGS := -o pipefail -c

.PHONY: help env report check lab test sample lint oldest bench simulate fuzz soak locks clean

help:  ## list the targets
	@grep -hE '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 12

ifdef UV
SECONDS_NEEDED := 30 seconds with uv
install = uv pip install --quiet --python $(1)/bin/python --no-deps --require-hashes --requirement $(2)
install_kit = uv pip install --quiet --python $(1)/bin/python --no-deps --no-build-isolation --editable .
new_venv = uv venv --quiet --clear --python $(BASE_PYTHON) $(1)
else
SECONDS_NEEDED := a minute and a half with pip
install = $(1)/bin/python -m pip install --disable-pip-version-check --no-compile --no-deps --require-hashes \
	--progress-bar off --requirement $(2) | awk '/^Collecting/ { if (++n % 20 == 0) { print "  " n " packages ..."; fflush() } }'
install_kit = $(1)/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
new_venv = $(BASE_PYTHON) -m venv --clear $(1)
endif

env: .venv/made  ## make the environment from the lock file

.venv/made: requirements.lock pyproject.toml
	@$(BASE_PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed: make BASE_PYTHON=python3.11")'
	@echo "Installing the packages of requirements.lock into .venv (0.6 GB): about $(SECONDS_NEEDED) ..."
	@$(call new_venv,.venv)
	@$(call install,.venv,requirements.lock)
	@$(call install_kit,.venv)
	@touch $@

.venv/made-%: .venv/made $(LOCKED)/%.lock
	@echo "Installing what '$*' needs beside that ..."
	@$(call install,.venv,$(LOCKED)/$*.lock)
	@touch $@

report: env  ## the standard report of a run folder: make report RUN=folder
	@$(PYTHON) -m kit report "$(RUN)"

check: env  ## read a run folder and list every fault: make check RUN=folder
	@$(PYTHON) -m kit check "$(RUN)"

lab: .venv/made-lab  ## JupyterLab on a run folder: make lab RUN=folder
	@test "$(RUN)" != runs/hill-school || test -d build/hill-school || $(PYTHON) -m kit start build/hill-school --demo
	@$(PYTHON) -m kit lab "$(RUN:runs/hill-school=build/hill-school)"

test: .venv/made-test  ## the test suite
	@$(PYTHON) -m pytest -n auto

sample: .venv/made-test  ## a part of the long runs: simulate, fuzz, soak
	@$(PYTHON) -m pytest -n auto -m long

lint: .venv/made-test  ## style, docstrings and types
	@$(PYTHON) -m ruff check .
	@$(PYTHON) -m ruff format --check .
	@$(PYTHON) -m mypy

oldest:  ## the suite with the oldest versions that pyproject.toml allows
	@$(call new_venv,.venv-oldest)
	@$(call install,.venv-oldest,$(LOCKED)/oldest.lock)
	@$(call install_kit,.venv-oldest)
	@.venv-oldest/bin/python -m pytest -n auto
	@.venv-oldest/bin/python -m pytest -n auto -m long

bench: .venv/made-test  ## time the kit against its yardsticks, as ratios in one run
	@$(PYTHON) -m tests.bench

simulate: .venv/made-test  ## the simulation tables (hours on a small machine)
	@$(PYTHON) -m tests.simulate
	@for each in sharpness judging curves planning; do $(PYTHON) -m tests.simulate.$$each || exit 1; done

fuzz: .venv/made-test  ## generated and mutated logs: make fuzz REAL=folder adds real ones
	@$(PYTHON) -m tests.fuzz $(if $(REAL),--real "$(REAL)")

soak: .venv/made-test .venv/made-cluster  ## faults, odd places and sizes as one table (about an hour)
	@$(PYTHON) -m tests.soak

LOCK := uv pip compile --quiet pyproject.toml --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	--no-annotate --no-header

locks:  ## renew every lock file (needs uv)
	@$(LOCK) --all-extras -o $(LOCKED)/test.lock
	@$(LOCK) --constraint $(LOCKED)/test.lock --extra build -o requirements.lock
	@for each in lab film cluster; do $(LOCK) --constraint $(LOCKED)/test.lock --extra $$each -o $(LOCKED)/$$each.lock || exit 1; done
	@$(LOCK) --all-extras --resolution lowest-direct -o $(LOCKED)/oldest.lock

clean:  ## remove the environment and caches, never reports
	@rm -rf .venv .venv-oldest .mypy_cache .ruff_cache .hypothesis
