#!/bin/sh
# Real processes and a real browser, side by side: both wait more than they work. Each in a process of its own: the
# browser's driver switches stacks under the interpreter's feet. Called with the python to run them with.
set -u
python=$1
said=$(mktemp)
"$python" -m pytest tests/end_to_end >"$said" 2>&1 &
beside=$!
trap 'kill "$beside" 2>/dev/null; rm -f "$said"' EXIT
trap 'exit 130' INT TERM
status=0
"$python" -m pytest tests/browser || status=$?
wait "$beside" || status=$?
cat "$said"
exit "$status"
