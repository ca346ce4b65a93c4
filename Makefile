# Hetwright: all a newcomer needs is Python 3.11+ and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready

.PHONY: help setup demo test lint types bench clean

help:
	@echo "make setup   a private virtual environment in .venv"
	@echo "make demo    the main job on the demo set"
	@echo "make test    style, types and every test"
	@echo "make bench   every benchmark (long)"

setup: $(STAMP)

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -c 'import sys; sys.exit("Hetwright needs Python 3.11 or newer, this is " + sys.version.split()[0] if sys.version_info < (3, 11) else 0)'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --only-binary :all: --no-binary hetwright,docopt,docopt-subcommands -c constraints.txt 'setuptools>=77' wheel
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --only-binary :all: --no-binary hetwright,docopt,docopt-subcommands --no-build-isolation -c constraints.txt -e '.[dev]'
	@touch $(STAMP)

demo: setup
	$(BIN)/hetwright demo

lint: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: setup
	$(BIN)/mypy

test: lint types
	$(BIN)/python -m pytest -n 2 tests src

bench: setup
	for b in law solver speed twins; do $(BIN)/python benchmarks/$$b.py || exit 1; done
	$(BIN)/python benchmarks/cases.py tests/cases

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache
