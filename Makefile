# Every target sets up .venv by itself the first time: the standard venv module and pip, or uv if it is there.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
ROWS ?=

.DEFAULT_GOAL := help
.PHONY: help report test lint measure soak lab pictures tables lock clean

help:  ## list the targets
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/^([a-z]+):.*## /  make \1\t/' | expand -t 18

$(READY): constraints.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "benchodds needs Python 3.11 or newer; try: make $(firstword $(MAKECMDGOALS)) PYTHON=python3.12"; exit 1; }
	@$(PYTHON) -c 'import venv, ensurepip' 2>/dev/null || command -v uv >/dev/null || \
	  { echo "Python's venv module is missing; on Debian or Ubuntu: apt-get install python3-venv"; exit 1; }
	@echo "Setting up $(VENV) (once, a minute or two) ..."
	@if command -v uv >/dev/null; then \
	  uv venv -q --allow-existing -p $(PYTHON) $(VENV) && \
	  uv pip install -q -p $(BIN)/python --require-hashes -r constraints.txt && \
	  uv pip install -q -p $(BIN)/python --no-deps --no-build-isolation -e . ; \
	else \
	  $(PYTHON) -m venv $(VENV) && \
	  $(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r constraints.txt && \
	  $(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e . ; \
	fi
	@touch $(READY)

report: $(READY)  ## regenerate the pages of your ledger (of the demo, marked DEMO, while you have none)
	@$(BIN)/benchodds report --all

test: $(READY)  ## run the checks that must pass (some five minutes)
	@$(BIN)/python -m pytest -q -n 2 --dist loadfile

lint: $(READY)  ## style, types and the one direction of imports
	@$(BIN)/ruff check . && $(BIN)/ruff format --check . && $(BIN)/mypy && $(BIN)/lint-imports

measure: $(READY)  ## rerun the measurements that DEVELOPERS.md quotes; ROWS=lives,pooling for some of them
	@$(BIN)/python -m tests.measure $(ROWS)

soak: $(READY)  ## long campaigns: adversarial records, killed writers, faults at every file call
	@$(BIN)/python -m pytest -q -m soak

lab: $(READY)  ## open JupyterLab: the form for the bench (bench.ipynb), and the notebooks of the pages
	@$(BIN)/jupyter lab --ServerApp.root_dir=notebooks --LabApp.news_url=None

pictures: $(READY)  ## take the README's pictures from the demo pages (needs Chromium)
	@$(BIN)/python -m tests.pictures

tables: $(READY)  ## write data/README.md anew from the description of the tables
	@$(BIN)/python -m tests.tables_page

lock:  ## resolve the dependencies again (needs uv)
	@uv pip compile -q --universal --generate-hashes --no-emit-index-url --no-header --no-annotate --all-extras pyproject.toml -o constraints.txt

clean:  ## remove what can be made again (never your ledger)
	@rm -rf $(VENV) build dist *.egg-info .pytest_cache .ruff_cache .mypy_cache .hypothesis .import_linter_cache
	@find reports -mindepth 1 -maxdepth 1 ! -name README.md ! -name pictures -exec rm -rf {} +
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
