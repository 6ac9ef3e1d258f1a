# Two commands matter: `make demo` and `make test`. All paths are relative, so that the folder's own path
# may hold spaces; .ci/prepare decides by checksum whether the environment is still right.
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help
PY := .venv/bin/python
WORKERS ?= 2
PYTEST_ARGS ?=

.PHONY: help app-ready test-ready demo test lint slow clean

help:
	@echo "make demo   try it: makes the environment, builds an invented operator, opens the review app"
	@echo "make test   makes the environment and passes every test that is not slow"
	@echo "make lint   style, types and layers only"
	@echo "make slow   the long tests: trainings, soaks, large renders"
	@echo "make clean  removes the environment, caches and the demo"

app-ready:
	@bash .ci/prepare app

test-ready:
	@bash .ci/prepare test

demo: app-ready
	@$(PY) -m data_tools.cli demo demo_workspace
	@ROUNDS_WORKSPACE=demo_workspace $(PY) -m data_tools.cli app

test: test-ready
	@$(PY) -m pytest -m "not slow" -n $(WORKERS) --dist loadscope $(PYTEST_ARGS)

lint: test-ready
	@$(PY) -m ruff check .
	@$(PY) -m ruff format --check .
	@$(PY) -m mypy
	@$(PY) -c "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_logo=True))"

slow: test-ready
	@$(PY) -m pytest -m slow $(PYTEST_ARGS)

clean:
	@rm -rf .venv .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis build *.egg-info demo_workspace
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
