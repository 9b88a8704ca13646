# Sourced by demo/run and tests/run: finds Python, makes a virtual environment and keeps it whole.

say() { printf '%s\n' "$*" >&2; }
fail() { say "$0: $*"; exit 1; }

find_python() {  # prints the first Python from 3.11 to 3.13 or newer that starts
  local candidate
  for candidate in ${PYTHON:-} python3 python3.13 python3.12 python3.11 python; do
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
      echo "$candidate"
      return
    fi
  done
  fail "Python 3.11 or newer is needed, and $(python3 --version 2>&1 || true) is what is here: on Debian 12 or Raspberry Pi OS run 'sudo apt install python3 python3-venv', or name one with PYTHON=/path/to/python3"
}

try_three_times() {
  local try
  for try in 1 2 3; do
    "$@" && return
    [ "$try" = 3 ] || say "that did not work; trying again"
  done
  return 1
}

whole() {  # whether an environment was finished with the same inputs, and its Python still starts
  [ "$(cat "$1/.complete" 2>/dev/null)" = "$2" ] && "$1/bin/python" -c '' 2>/dev/null
}

# make_venv FOLDER EXTRA: an environment with this checkout and its extra. One that is whole is used again; one that
# an interrupted run left half-finished is made anew. The mark '.complete' is written last.
make_venv() {
  local folder=$1 extra=$2 python wanted
  python=$(find_python)
  wanted=$(cat pyproject.toml .ci/constraints.txt | cksum; echo "$PWD [$extra]")
  exec 9>"$folder.lock"  # two at once wait for each other
  ! command -v flock >/dev/null || flock 9
  if whole "$folder" "$wanted"; then exec 9>&-; return; fi
  rm -rf "$folder"
  say "making the virtual environment $folder ($("$python" --version))"
  "$python" -m venv "$folder" >&2 || {
    rm -rf "$folder"
    fail "a virtual environment could not be made: on Debian or Raspberry Pi OS run 'sudo apt install python3-venv'; the disk may also be full"
  }
  say "installing nestclimate[$extra] (a few minutes the first time)"
  try_three_times "$folder/bin/python" -m pip install --disable-pip-version-check --no-input --quiet \
    -c .ci/constraints.txt -e ".[$extra]" >&2 || fail "the installation failed, see above: is there a network, and room on the disk?"
  printf '%s\n' "$wanted" >"$folder/.complete"
  exec 9>&-
}
