# Sourced by deploy/try and tests/run, from the top of the checkout. Makes .venv and installs
# Debian packages where this user may; never touches anything else of the machine.
# shellcheck shell=sh

PYTHON=${PYTHON:-python3}

say() { printf '%s\n' "$*" >&2; }

die() {
    say "$*"
    exit 1
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
        sudo "$@"
    else
        return 1
    fi
}

# debian PACKAGE... : installs them; returns 1 where that is not allowed or not possible.
debian() {
    command -v apt-get >/dev/null 2>&1 || return 1
    log=$(mktemp)
    if as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q "$@" >"$log" 2>&1; then
        rm -f "$log"
        return 0
    fi
    # A new machine has no list of packages yet.
    if as_root apt-get update -q >>"$log" 2>&1 &&
        as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q "$@" >>"$log" 2>&1; then
        rm -f "$log"
        return 0
    fi
    tail -n 3 "$log" >&2
    rm -f "$log"
    return 1
}

# binary NAME : where a program is, also outside an ordinary user's path.
binary() {
    PATH="$PATH:/usr/sbin:/usr/local/sbin" command -v "$1" 2>/dev/null
}

check_python() {
    command -v "$PYTHON" >/dev/null 2>&1 || die "python3 is missing; install it and try again"
    "$PYTHON" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' ||
        die "$PYTHON is $("$PYTHON" -V 2>&1); Python 3.11, 3.12 or 3.13 is needed (set PYTHON=...)"
}

# make_venv EXTRAS : .venv with this checkout installed, editable, versions as locked.
make_venv() {
    check_python
    if ! .venv/bin/python -c 'import pip' >/dev/null 2>&1; then
        rm -rf .venv
        if ! "$PYTHON" -m venv .venv >/dev/null 2>&1; then
            rm -rf .venv
            debian python3-venv && "$PYTHON" -m venv .venv ||
                die "cannot make a virtual environment; run: apt-get install python3-venv"
        fi
    fi
    say "Installing into .venv ..."
    .venv/bin/python -m pip install -q --disable-pip-version-check --no-input \
        -c deploy/constraints.txt -e ".$1" >.venv/pip.log 2>&1 || {
        tail -n 5 .venv/pip.log >&2
        die "pip could not install; the whole log is .venv/pip.log"
    }
}
