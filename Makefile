# Two commands on a fresh machine: `make demo` and `make test`. Python 3.11 or newer and make are all they need.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/ready

.PHONY: demo test campaign bench lint audit docs pictures clean

demo: $(STAMP)
	$(BIN)/smallgauge demo --out demo-out

test: $(STAMP)
	$(BIN)/python tests/run.py

campaign: $(STAMP)
	$(BIN)/python -m pytest -q -m campaign tests

bench: $(STAMP)
	$(BIN)/python -m benchmarks

lint: $(STAMP)
	$(BIN)/ruff check . && $(BIN)/ruff format --check . && $(BIN)/mypy && $(BIN)/lint-imports

# Whether advisories are published for what is pinned; needs the network, and fails where a library can't be asked for.
audit:
	$(PYTHON) -m venv .audit
	.audit/bin/python -m pip install --quiet --disable-pip-version-check pip-audit
	.audit/bin/pip-audit --strict --require-hashes --disable-pip -r requirements.lock

docs: $(STAMP)
	$(BIN)/python tools/make_docs.py

pictures: $(STAMP)
	$(BIN)/python tools/make_pictures.py

$(STAMP): requirements.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $(STAMP)

clean:
	rm -rf $(VENV) .audit demo-out
