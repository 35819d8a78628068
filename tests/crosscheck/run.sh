#!/usr/bin/env bash
# Holds every statistic against scipy, statsmodels, pymannkendall, lifelines and ruptures on random inputs.
#
#   tests/crosscheck/run.sh [--binary PATH] [--seed N] [--only NAME] [--list]
#
# The libraries live in a virtual environment under ${TRIMDRIFT_CI_CACHE:-~/.cache/trimdrift-ci}, made on first use.
# Exit code 0 only if every case agrees; the last line is "N passed, N failed".
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
cache=${TRIMDRIFT_CI_CACHE:-${XDG_CACHE_HOME:-$HOME/.cache}/trimdrift-ci}
python=${PYTHON:-python3}
# One environment per interpreter and list of requirements: a changed pin gets a new one.
key=$({ "$python" --version; cat "$here/requirements.txt"; } | sha256sum | cut -c1-16)
venv=$cache/crosscheck-$key
if [[ ! -e $venv/complete ]]; then
    echo "making the virtual environment $venv" >&2
    rm -rf "$venv"
    mkdir -p "$cache"
    "$python" -m venv "$venv"
    "$venv/bin/pip" install --quiet --disable-pip-version-check -r "$here/requirements.txt"
    touch "$venv/complete"
fi
exec "$venv/bin/python" "$here/main.py" "$@"
