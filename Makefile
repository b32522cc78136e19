# Loombook's commands. `make run` uses it, `make test` proves it, `make help` lists the rest.

PORT ?= 8000
PY := .venv/bin/python
export PORT

.DEFAULT_GOAL := help
.PHONY: help run test check lint format types migrations audit bench soak containers upgrade mutate fuzz lock backup restore record
.PHONY: environment test-environment

help: ## list these commands
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-11s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

run: environment ## install what is missing, load the demo shop when empty, serve on PORT (8000)
	@deploy/run.sh

test: test-environment ## format, lint, types, migrations, then every test on SQLite and PostgreSQL
	@deploy/test.sh

check: lint types migrations audit ## what to run before each commit

lint: test-environment ## formatting and lint
	@deploy/lint.sh

format: test-environment ## rewrite Python and templates in the project's format
	@deploy/lint.sh --fix

types: test-environment ## static types
	@.venv/bin/mypy

migrations: test-environment ## models without a migration
	@deploy/migrations.sh

audit: test-environment ## known faults of the pinned libraries; a note where nobody can be asked
	@$(PY) deploy/audit.py

bench: test-environment ## speed targets, as ratios of one run (BENCH_JOBS=1000000 BENCH_ONLY="board find", or growth)
	@deploy/test_postgres.sh $(PY) -m tests.bench
	@deploy/test_postgres.sh $(PY) -m tests.bench.tablets

soak: test-environment ## thirty tablets for SOAK_MINUTES (10) while things are killed: what was lost
	@$(PY) -m tests.soak

containers: test-environment ## build and start deploy/compose.yaml from nothing and break it, where there is an engine
	@$(PY) -m tests.containers

upgrade: test-environment ## from the first version to this one and back, with its demo shop (minutes)
	@$(PY) -m tests.upgrade
	@deploy/test_postgres.sh $(PY) -m tests.upgrade

mutate: test-environment ## which slips of tables, rules and saving no test would notice (an hour)
	@$(PY) -m tests.mutate tables
	@$(PY) -m tests.mutate code --sample 300

fuzz: test-environment ## ask the API thousands of times what its description allows, and what not
	@$(PY) -m pytest tests/jobs/test_api_hostile.py --posts 6000 -n auto -q

lock: test-environment ## resolve the pinned requirements again
	@deploy/lock.sh

backup: environment ## one archive of database, files and keys; TO=FOLDER to choose where
	@$(PY) manage.py backup $(if $(TO),--to "$(TO)")

restore: environment ## put a backup back: FILE=ARCHIVE; REPLACE=1 over existing data, KEY=, IDENTITY= elsewhere
	@$(PY) manage.py restore "$(FILE)" $(if $(REPLACE),--replace) $(if $(KEY),--key "$(KEY)") $(if $(IDENTITY),--identity "$(IDENTITY)") $(if $(UNSIGNED),--unsigned)

record: environment ## is everything that was signed or logged still as it was?
	@$(PY) manage.py check_record
	@$(PY) manage.py check_log

environment:
	@deploy/install.sh run

test-environment:
	@deploy/install.sh test
