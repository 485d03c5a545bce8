# Sourced by scripts/demo and scripts/test: makes or reuses .venv in the project, whatever environment is active.
# Says what it does in a line, keeps pip quiet, and shows what went wrong.

cd "$(dirname "${BASH_SOURCE[0]}")/.."
unset VIRTUAL_ENV PYTHONHOME PYTHONPATH CONDA_PREFIX PIP_TARGET PIP_PREFIX PIP_USER PIP_REQUIRE_VIRTUALENV
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_INPUT=1 PIP_ROOT_USER_ACTION=ignore
venv_python=.venv/bin/python

say() { echo "$*" >&2; }

as_root() { [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; }

# Debian packages, where we may; quiet unless it fails.
apt_install() {
  local log
  log=$(mktemp)
  if DEBIAN_FRONTEND=noninteractive sh -c 'apt-get update && apt-get install -y --no-install-recommends "$@"' - "$@" \
      >"$log" 2>&1; then
    rm -f "$log"
  else
    tail -n 20 "$log" >&2
    rm -f "$log"
    return 1
  fi
}

# The newest Python of 3.11 and over on the path.
find_python() {
  local name
  for name in python3.14 python3.13 python3.12 python3.11 python3 python; do
    if command -v "$name" >/dev/null && "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      command -v "$name"
      return
    fi
  done
  say "imuswing needs Python 3.11 or newer on the path; install it (Debian: apt-get install python3 python3-venv)."
  return 1
}

make_venv() {
  local python log
  if [ -x "$venv_python" ] && "$venv_python" -c 'import pip' 2>/dev/null; then
    return
  fi
  python=$(find_python)
  say "Making .venv with $("$python" --version) ..."
  log=$(mktemp)
  if ! "$python" -m venv --clear .venv >"$log" 2>&1; then
    as_root && apt_install python3-venv && "$python" -m venv --clear .venv >"$log" 2>&1 || {
      cat "$log" >&2
      say "Python could not make .venv; install its module venv (Debian: apt-get install python3-venv)."
      return 1
    }
  fi
  rm -f "$log"
}

# install NAME REQUIREMENT: pip installs where pyproject.toml is newer than what was installed under NAME.
install() {
  local stamp=.venv/installed-$1
  make_venv
  if [ -e "$stamp" ] && [ ! pyproject.toml -nt "$stamp" ] && "$venv_python" -c 'import imuswing' 2>/dev/null; then
    return
  fi
  say "Installing imuswing into .venv (once; from the Python package index) ..."
  "$venv_python" -m pip install --quiet --quiet --editable "$2"
  touch "$stamp"
}
