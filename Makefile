# `make rehearse` and `make test` need python3 (3.11 or later, with venv) and make, nothing else.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check
EXTRAS := --extra calendar --extra discovery --extra embedded --extra extracts --extra metrics --extra ocpp --extra page --extra pictures \
	--extra several --extra sheets
# The hashes are those of every file of a package, whatever machine and Python each is for.
LOCK := $(VENV).new/bin/uv pip compile --quiet --upgrade --universal --python-version 3.11 \
	--generate-hashes --fork-strategy fewest --no-annotate --no-emit-package colorama \
	--custom-compile-command 'make constraints'
# How many tests run at a time: two more than there are cores, since a third of their time is waiting.
WORKERS ?= $(shell expr $$(nproc) + 2)
# The tests start hundreds of processes. Each would compile all that it imports if nothing were kept.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help rehearse test lint types contracts unit mosquitto chromium debian prove every-sequence solar bench boxes stations faults crash-images simulate floods browsers picture wirings hours throwaway board container upgrade keep-for-upgrade \
	release licences format constraints clean

help:
	@echo 'make rehearse     an environment of its own, and one rehearsed night'
	@echo 'make test         the same, then lint, types, import contracts and all tests'
	@echo 'make lint types contracts unit     the parts of make test'
	@echo 'make prove        the planner against HiGHS on 30,000 problems, and every law on 200 examples (half an hour)'
	@echo 'make every-sequence     all sequences of events, as long as the time allows (a quarter of an hour)'
	@echo 'make solar        the table of the sun against the pvlib of LULLWATT_PVLIB (seconds)'
	@echo 'make bench        the planner beside HiGHS, and the daemon at rest (a quarter of an hour)'
	@echo 'make boxes        18 kinds of OCPP 1.6J box, each in eleven kinds of night, beside the real daemon (ten minutes)'
	@echo 'make stations     the same for OCPP 2.0.1 and 2.1: 16 kinds in twelve kinds of night (ten minutes)'
	@echo 'make faults       kills, broken brokers, bad messages and hardware (up to half an hour)'
	@echo 'make crash-images the ledger after a power cut at every sync, some 10,000 of them (three minutes)'
	@echo 'make simulate     years of nights with faults in virtual time, each day others, and planted faults (a quarter of an hour)'
	@echo 'make floods       20,000 messages a second, of each kind (an hour)'
	@echo 'make browsers     the page in a real browser: every view, every wish, in every way (five minutes)'
	@echo 'make picture      draw the picture of the page in the README again (a minute)'
	@echo 'make wirings      nights of every wired example, with each fault of its hardware (ten minutes)'
	@echo 'make break-in     break-ins at the page and at the door for charge points, 10,000 guesses, 100 MB bodies, floods (six minutes)'
	@echo 'make hours        the tests that read the clock, at other hours and days (two hours)'
	@echo 'make throwaway    the install guide from nothing, in a Debian of its own (root, three minutes)'
	@echo 'make board        the core of the tests on an emulated arm64, as on a small board (root, half an hour)'
	@echo 'make container    the container image, built and run (root, three minutes)'
	@echo 'make upgrade      up from every version that is kept, killed on the way, and back with its own code (needs git)'
	@echo 'make release      all that is looked at before a release, from the registry (five minutes)'
	@echo 'make keep-for-upgrade     keep what this version writes, for later ones to open'
	@echo 'make licences     write LICENCES.md anew'
	@echo 'make format       lay the code out'
	@echo 'make constraints  take the newest dependencies into constraints*.txt'
	@echo 'make clean        take away what the others made'

# --- environments ---------------------------------------------------------------------------

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo 'Lullwatt needs Python 3.11 or later: make PYTHON=python3.x ...' >&2; exit 2; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
		|| { echo 'Python lacks its venv module. Install it first: sudo apt-get install python3-venv' >&2; exit 2; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.runs: $(BIN)/python pyproject.toml constraints-run.txt constraints-build.txt
	$(INSTALL) --require-hashes --requirement constraints-run.txt --requirement constraints-build.txt
	$(INSTALL) --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.tests: $(VENV)/.runs constraints.txt
	$(INSTALL) --require-hashes --requirement constraints.txt
	@touch $@

# --- for a newcomer -------------------------------------------------------------------------

rehearse: $(VENV)/.runs
	@$(BIN)/lullwatt rehearse
	@echo 'See it on the page of the household, in a browser: $(BIN)/lullwatt rehearse --page'

# The types are checked beside the tests, which leave a core idle now and then; mypy's words come last.
test: $(VENV)/.tests mosquitto chromium debian rehearse lint contracts
	@$(BIN)/mypy >$(VENV)/types.txt 2>&1 & mypy=$$!; \
	$(MAKE) --no-print-directory unit; tests=$$?; \
	wait $$mypy; types=$$?; \
	cat $(VENV)/types.txt; exit $$((tests || types))

# The tests talk to a real broker. Debian keeps it in /usr/sbin, which is often off the path.
mosquitto:
	@PATH="$$PATH:/usr/sbin:/usr/local/sbin"; \
	if command -v mosquitto >/dev/null && command -v mosquitto_sub >/dev/null; then exit 0; fi; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
		echo 'installing Mosquitto for the tests'; \
		apt-get update -qq && DEBIAN_FRONTEND=noninteractive \
			apt-get install -y -qq mosquitto mosquitto-clients >/dev/null; \
	else \
		echo 'The tests need a real broker and its clients. Install them first:' >&2; \
		echo '    sudo apt-get install mosquitto mosquitto-clients' >&2; \
		exit 2; \
	fi

# The page of a month is opened in a real browser, which needs a font to measure with.
chromium:
	@if command -v chromium >/dev/null; then exit 0; fi; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
		echo 'installing Chromium for the tests'; \
		apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq \
			--no-install-recommends chromium fonts-dejavu-core >/dev/null; \
	else \
		echo 'The tests open a page in Chromium. Install it first:' >&2; \
		echo '    sudo apt-get install --no-install-recommends chromium fonts-dejavu-core' >&2; \
		exit 2; \
	fi

# The unit and the installer are held against Debian's own tools.
debian:
	@if command -v shellcheck >/dev/null && command -v systemd-analyze >/dev/null \
		&& command -v ip >/dev/null && command -v openssl >/dev/null && command -v strace >/dev/null; then exit 0; fi; \
	if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
		echo 'installing what the installer and the ledger are tested with'; \
		apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq \
			--no-install-recommends shellcheck systemd iproute2 openssl strace >/dev/null; \
	else \
		echo 'The tests of the installer and the ledger need these. Install them first:' >&2; \
		echo '    sudo apt-get install --no-install-recommends shellcheck systemd iproute2 openssl strace' >&2; \
		exit 2; \
	fi

lint: $(VENV)/.tests
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.tests
	$(BIN)/mypy

contracts: $(VENV)/.tests
	$(BIN)/lint-imports

# A worker gets whole modules, so that what the tests of a module share is made once. In their order:
# the modules of few tests, which take longest, would else come last, on one core.
# The first time, one process writes what each worker would else compile for itself.
unit: $(VENV)/.tests
	@test -e .hypothesis/constants || $(BIN)/pytest --collect-only -qq >/dev/null 2>&1 || true
	$(BIN)/pytest -n $(WORKERS) --dist loadfile --no-loadscope-reorder

# --- campaigns: longer than a test run, run by hand --------------------------------------------

prove: $(VENV)/.tests
	LULLWATT_EXAMPLES=200 $(BIN)/pytest -n $(WORKERS) \
		$$(grep --recursive --files-with-matches --extended-regexp \
			'given\(|\(RuleBasedStateMachine' --include='test_*.py' tests)
	LULLWATT_PROBLEMS=10000 $(BIN)/pytest -n $(WORKERS) tests/planners/solver/test_exact.py \
		tests/planners/solver/test_exact_several.py tests/planners/solver/test_exact_power.py \
		tests/planners/solver/test_exact_surplus.py tests/planners/solver/test_remembered.py \
		tests/planners/plan/test_nights.py tests/planners/plan/test_planning.py \
		tests/planners/year/test_year_of_rates.py tests/planners/joint tests/planners/capacity

every-sequence: $(VENV)/.tests
	$(BIN)/python -m tests.every_sequence

# pvlib is too large for the tests' own environment, and no install here goes without hashes.
solar:
	@test -n "$(LULLWATT_PVLIB)" || { \
		echo 'Install pvlib into an environment of its own, and name its Python:' >&2; \
		echo '    make solar LULLWATT_PVLIB=/path/to/bin/python' >&2; exit 2; }
	$(LULLWATT_PVLIB) -m tests.outside.solar_values

bench: $(VENV)/.tests mosquitto
	$(BIN)/python -m tests.benchmarks.planning
	$(BIN)/python -m tests.benchmarks.together
	$(BIN)/python -m tests.benchmarks.at_rest
	$(BIN)/python -m tests.benchmarks.ledger_years
	$(BIN)/python -m tests.benchmarks.growth
	$(BIN)/python -m tests.benchmarks.appraising
	$(BIN)/python -m tests.benchmarks.many_homes
	$(BIN)/python -m tests.benchmarks.hysteresis

faults: $(VENV)/.tests mosquitto
	$(BIN)/python -m tests.faults.campaign
	$(BIN)/python -m tests.lease_protocol.on_the_bus
	LULLWATT_HOMES=60 $(BIN)/pytest -q -n $(WORKERS) tests/daemon/sharing/test_any_order.py

boxes: $(VENV)/.tests mosquitto
	LULLWATT_WORKERS=$(WORKERS) $(BIN)/python -m tests.ocpp_boxes

stations: $(VENV)/.tests mosquitto
	LULLWATT_WORKERS=$(WORKERS) $(BIN)/python -m tests.ocpp_stations

floods: $(VENV)/.tests mosquitto
	$(BIN)/python -m tests.floods.campaign

browsers: $(VENV)/.tests mosquitto chromium
	$(BIN)/python -m tests.browsers

picture: $(VENV)/.tests chromium
	$(BIN)/python -m tests.browsers.picture

break-in: $(VENV)/.tests mosquitto
	$(BIN)/python -m tests.break_in

wirings: $(VENV)/.tests mosquitto
	$(BIN)/python -m tests.wirings

hours: $(VENV)/.tests mosquitto chromium debian
	@command -v cc >/dev/null || { \
		echo 'The clock is shifted by a small C library. Install a compiler first:' >&2; \
		echo '    sudo apt-get install gcc libc6-dev' >&2; \
		exit 2; \
	}
	$(BIN)/python -m tests.hours -n $(WORKERS)

crash-images: $(VENV)/.tests debian
	$(BIN)/python -m tests.crash_images

simulate: $(VENV)/.tests
	$(BIN)/python -m tests.virtual_years --workers $$(nproc) --first $$(( $$(date +%s) / 86400 * 10000 ))

throwaway: $(VENV)/.tests
	DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
		debootstrap systemd-container >/dev/null
	$(BIN)/python -m tests.deploy.throwaway

board: $(VENV)/.tests
	DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
		debootstrap qemu-user-static binfmt-support >/dev/null
	$(BIN)/python -m tests.board

container: $(VENV)/.tests
	DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
		podman podman-compose crun netavark aardvark-dns iptables debootstrap >/dev/null
	$(BIN)/python -m tests.deploy.container

# --- releases -------------------------------------------------------------------------------

upgrade: $(VENV)/.tests
	$(BIN)/python -m tests.upgrade.back_again
	$(BIN)/python -m tests.upgrade.under_fire

keep-for-upgrade: $(VENV)/.tests
	$(BIN)/python -m tests.upgrade.keep --commit "$$(git rev-parse HEAD)"

release: $(VENV)/.tests
	$(BIN)/python -m tests.release.release

licences: $(VENV)/.tests
	$(BIN)/python -m tests.release.licences

# --- for the house --------------------------------------------------------------------------

format: $(VENV)/.tests
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

constraints:
	rm -rf $(VENV).new
	$(PYTHON) -m venv $(VENV).new
	$(VENV).new/bin/python -m pip install --quiet --require-hashes --requirement constraints-release.txt
	$(LOCK) pyproject.toml $(EXTRAS) --output-file constraints-run.txt
	$(LOCK) pyproject.toml $(EXTRAS) --extra fleet --extra test --constraint constraints-run.txt --output-file constraints.txt
	$(LOCK) pyproject.toml $(EXTRAS) --extra fleet --constraint constraints.txt --output-file constraints-fleet.txt
	$(LOCK) --group build --constraint constraints.txt --output-file constraints-build.txt
	$(LOCK) --group release --output-file constraints-release.txt
	rm -rf $(VENV).new

clean:
	rm -rf $(VENV) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
