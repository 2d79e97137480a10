#!/usr/bin/env bash
# manual_test.sh PROGRAM: the man page and the completions that the program writes of itself.
set -euo pipefail
program=$1
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
fail() { echo "FAILED: $*" >&2; exit 1; }

"$program" --manual man >"$work/tenterhook.1"
"$program" --manual bash >"$work/completion.bash"
"$program" --manual zsh >"$work/_tenterhook"
"$program" --manual verse >/dev/null 2>&1 && fail "an unknown kind of manual is accepted"

# groff judges the page: not one warning, and every command of the help stands in it.
groff -man -Tutf8 -P-cbu -ww "$work/tenterhook.1" >"$work/page" 2>"$work/warnings"
[ ! -s "$work/warnings" ] || fail "groff: $(head -3 "$work/warnings")"
printf '.B unclosed\n.NOSUCHREQUEST\n' | groff -man -Tutf8 -ww >/dev/null 2>"$work/warnings"
[ -s "$work/warnings" ] || fail "groff does not warn: the check above is worth nothing"
commands=$("$program" --help | sed -n '/^Subcommands:/,$p' | awk '/^  [a-z]/ {print $1}')
[ "$(wc -w <<<"$commands")" -gt 15 ] || fail "the help lists few commands"
for command in $commands; do
  grep -q "tenterhook $command" "$work/page" || fail "the man page lacks $command"
done

complete_line() {  # words of the line, the last one unfinished -> the offers
  bash -c 'source "$0"; COMP_WORDS=(tenterhook "$@"); COMP_CWORD=$#; _tenterhook; printf "%s\n" "${COMPREPLY[@]}"' "$work/completion.bash" "$@"
}
complete_line hist | grep -qx history || fail "commands"
complete_line fixture self | grep -qx selftest || fail "commands of the fixture"
complete_line history --ver | grep -qx -- --verdict || fail "options"
[ "$(complete_line history --verdict f)" = fail ] || fail "choices of an option"
complete_line history --verdict f | grep -qx pass && fail "choices are not narrowed down"
(cd "$work" && touch board.yaml && complete_line check boa | grep -qx board.yaml) || fail "files"
if command -v zsh >/dev/null; then zsh -n "$work/_tenterhook" || fail "zsh"; fi

# A list longer than the terminal goes through the pager; anywhere else it does not. --store stands before the command.
store=$work/history.db
cp "$(dirname "$0")/../../data/stores/v2.db" "$store"
script -qec "stty rows 4 cols 80; PAGER='sed s/^/paged:/' '$program' --store '$store' history" /dev/null >"$work/short" </dev/null
grep -q '^paged:.*started' "$work/short" || fail "the pager is not used on a terminal of four lines"
script -qec "stty rows 40 cols 80; PAGER='sed s/^/paged:/' '$program' --store '$store' history" /dev/null >"$work/long" </dev/null
grep -q paged: "$work/long" && fail "the pager is used though everything fits"
PAGER='sed s/^/paged:/' "$program" history --store "$store" | grep -q paged: && fail "the pager is used in a pipe"
echo "manual: all right"
