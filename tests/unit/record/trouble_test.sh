#!/usr/bin/env bash
# trouble_test.sh PROGRAM: a full disk and a read-only record under a real run: the board is powered down first, the
# error is clear, and nothing that was recorded is lost.
set -euo pipefail
program=$(realpath "$1")
cd "$(dirname "$0")/../../.."
work=$(mktemp -d)
trap 'chmod -R u+w "$work"; rm -rf "$work"' EXIT
fail() { echo "FAILED: $*" >&2; cat "$work/out" "$work/err" >&2; exit 1; }
run() { "$program" run vectors/shed-latch/acceptance.vectors.yaml --fixture emulated --serial 003 --once --mute --store "$@"; }

# A limit on the size of files stands for the disk; without the signal a write fails as on a full one.
( trap '' XFSZ; ulimit -f 300; run "$work/full.db" >"$work/out" 2>"$work/err" ) && fail "a run that could not be recorded exits 0"
grep -q 'Measured after switch-off' "$work/out" || fail "the board was not followed down"
grep -q 'check the disk\|the disk is full' "$work/err" || fail "the error does not speak of the disk"
[ "$(sqlite3 "$work/full.db" 'PRAGMA integrity_check')" = ok ] || fail "the store is damaged"
[ "$(sqlite3 "$work/full.db" 'SELECT count(*) FROM step')" -ge 3 ] || fail "recorded steps are lost"
[ "$(sqlite3 "$work/full.db" 'SELECT outcome FROM runs')" = 'cut short' ] || fail "the run does not show as cut short"

# As an ordinary person where root runs the tests: root may write anywhere.
mkdir "$work/fixed"
run "$work/fixed/history.db" --quiet >"$work/out" 2>"$work/err" || fail "the first run"
chmod 444 "$work/fixed/history.db" && chmod 555 "$work/fixed" && chmod 755 "$work"
as_person=()
[ "$(id -u)" -ne 0 ] || as_person=(setpriv --reuid=65534 --regid=65534 --clear-groups)
code=0
"${as_person[@]}" "$program" run vectors/shed-latch/acceptance.vectors.yaml --fixture emulated --once --mute --store "$work/fixed/history.db" \
  >"$work/out" 2>"$work/err" || code=$?
[ "$code" -eq 3 ] || fail "expected exit 3, found $code"
grep -q 'read-only' "$work/err" || fail "the error does not say that it is read-only"
grep -qi 'volts\|heater' "$work/out" && fail "the board was powered although nothing could be recorded"
"${as_person[@]}" "$program" history --store "$work/fixed/history.db" | grep -q 'PASS' || fail "what was recorded cannot be read"
echo "trouble: all right"
