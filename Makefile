# Every target sets up .venv by itself the first time: the standard venv module and pip, or uv if it is there.
# Pages need constraints.txt alone; checks add constraints-test.txt, which holds no package of the former.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
TESTABLE := $(VENV)/.testable
UV := $(shell command -v uv)
INSTALL := $(if $(UV),uv pip install -q -p $(BIN)/python,$(BIN)/python -m pip install -q --disable-pip-version-check)
ROWS ?=
LAB := data/lab

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
	@$(if $(UV),uv venv -q --allow-existing -p $(PYTHON),$(PYTHON) -m venv) $(VENV)
	@$(INSTALL) --require-hashes -r constraints.txt
	@$(INSTALL) --no-deps --no-build-isolation -e .
	@touch $(READY)

$(TESTABLE): $(READY) constraints-test.txt
	@echo "Adding to $(VENV) what the checks need (once, a minute or two) ..."
	@$(INSTALL) --require-hashes -r constraints.txt -r constraints-test.txt
	@touch $(TESTABLE)

report: $(READY)  ## regenerate the pages of your ledger (of the demo, marked DEMO, while you have none)
	@$(BIN)/benchodds report --all

test: $(TESTABLE)  ## run the checks that must pass (six minutes on two idle cores)
	@$(BIN)/python -m pytest -q -n 2 --dist loadfile

lint: $(TESTABLE)  ## style, types and the one direction of imports
	@$(BIN)/ruff check . && $(BIN)/ruff format --check . && $(BIN)/mypy && $(BIN)/lint-imports

measure: $(TESTABLE)  ## rerun the measurements that DEVELOPERS.md quotes; ROWS=lives,pooling for some of them
	@$(BIN)/python -m tests.measure $(ROWS)

soak: $(TESTABLE)  ## long campaigns: adversarial records, killed writers, faults at every file call
	@$(BIN)/python -m pytest -q -m soak

lab: $(READY)  ## open JupyterLab on your copies in data/lab: the forms for the bench (bench.ipynb), and the pages
	@mkdir -p $(LAB)
	@for book in notebooks/*.ipynb; do test -e "$(LAB)/$${book##*/}" || cp "$$book" $(LAB); done
	@$(BIN)/jupyter lab --ServerApp.root_dir=$(LAB) --LabApp.news_url=None --LabApp.extension_manager=readonly

pictures: $(TESTABLE)  ## take the README's pictures from the demo pages (needs Chromium)
	@$(BIN)/python -m tests.pictures

tables: $(TESTABLE)  ## write data/README.md anew from the description of the tables
	@$(BIN)/python -m tests.tables_page

LOCK := -q --universal --generate-hashes --no-emit-index-url --no-header --no-annotate
lock: $(READY)  ## resolve the dependencies again (needs uv)
	@uv pip compile $(LOCK) --extra build pyproject.toml -o constraints.txt
	@uv pip compile $(LOCK) --all-extras -c constraints.txt pyproject.toml -o $(VENV)/all.txt
	@awk -F= '/^[a-z]/ {kept = !($$1 in base); if (NR == FNR) base[$$1]} NR > FNR && kept' \
	  constraints.txt $(VENV)/all.txt >constraints-test.txt

clean:  ## remove what can be made again (never your ledger)
	@rm -rf $(VENV) build dist *.egg-info .pytest_cache .ruff_cache .mypy_cache .hypothesis .import_linter_cache
	@find reports -mindepth 1 -maxdepth 1 ! -name README.md ! -name pictures -exec rm -rf {} +
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +
