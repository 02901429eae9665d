# make demo and make test do all the set-up themselves, in .venv; both need Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo demo-logs test lint types format bench logs picture clean

demo: $(VENV)/.installed-demo
	$(BIN)/damperwatch replay replay_logs/rebound_misset.parquet --car replay_logs/car.toml --pace $(or $(PACE),20)

test: $(VENV)/.installed-dev
	$(BIN)/python -m pytest -q

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.installed-dev
	$(BIN)/mypy

format: $(VENV)/.installed-dev
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(VENV)/.installed-dev
	$(BIN)/python -m benchmarks.replay_speed

# Simulates the shipped logs again, from their seed.
logs: $(VENV)/.installed-dev
	$(BIN)/python -m replay_logs.simulate

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "damperwatch needs Python 3.11 or newer; try: make PYTHON=python3.11")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed-demo: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install -q -e .
	touch $@

$(VENV)/.installed-dev: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install -q -e '.[dev]'
	touch $@ $(VENV)/.installed-demo

# Draws the README's picture of the board again.
picture: $(VENV)/.installed-dev
	$(BIN)/damperwatch replay replay_logs/rebound_misset.parquet --car replay_logs/car.toml --plain \
	    --pace 400 --picture docs/board.svg --picture-at 330 > /dev/null

clean:
	rm -rf $(VENV) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
