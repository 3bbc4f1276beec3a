# shellcheck shell=sh
# What both commands need before they can start: Debian packages, a virtual environment in .venv
# and, in it, exactly the locked Python packages. Sourced by appliance/demo.sh and tests/run.sh with
# the top of the clone as working directory; set_up may be called again at any time.

# fail SENTENCE: say what to do next and stop.
fail() {
    printf 'Groundnote: %s\n' "$1" >&2
    exit 1
}

# check_python: stop unless python3 is one that the locked wheels are built for.
check_python() {
    command -v python3 >/dev/null ||
        fail "Python is missing: install the package python3 and run this again."
    python3 -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' ||
        fail "$(python3 --version) does not fit: Groundnote runs on Python 3.11, 3.12 and 3.13."
    python3 -c 'import sys; sys.exit(sys.maxsize < 2**32)' ||
        fail "This system is 32-bit: install a 64-bit Debian or Raspberry Pi OS."
}

# is_installed PACKAGE: whether Debian has the package installed.
is_installed() {
    dpkg-query --show --showformat='${db:Status-Status}\n' "$1" 2>/dev/null | grep -qx installed
}

# missing_packages PACKAGE...: print those that are not installed; python3-venv counts as missing
# only where Python cannot make virtual environments.
missing_packages() {
    python3 -c 'import ensurepip' 2>/dev/null || printf 'python3-venv '
    for package in "$@"; do
        is_installed "$package" || printf '%s ' "$package"
    done
}

# as_root COMMAND...: run it as root, with sudo where needed, never asking a package's questions.
as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        DEBIAN_FRONTEND=noninteractive "$@"
    else
        sudo DEBIAN_FRONTEND=noninteractive "$@"
    fi
}

# install_packages PACKAGE...: install what is missing, and only then ask Debian for its lists.
install_packages() {
    missing=$(missing_packages "$@")
    missing=${missing% }
    [ -n "$missing" ] || return 0
    command -v apt-get >/dev/null ||
        fail "This is not Debian or Raspberry Pi OS: install the like of these first: $missing"
    [ "$(id -u)" -eq 0 ] || command -v sudo >/dev/null ||
        fail "sudo is missing: as root, run apt-get install $missing"
    printf 'Installing from Debian: %s\n' "$missing"
    as_root apt-get -qq update ||
        fail "apt-get update did not work: read the lines above, then run this again."
    # shellcheck disable=SC2086  # one word for each package
    as_root apt-get -qq -y --no-install-recommends install $missing </dev/null >/dev/null ||
        fail "apt-get install did not work: read the lines above, then run this again."
}

# stamp_of LOCK: print the file that says that LOCK is installed. Its name changes with the lock,
# the project file, Python and the place of the clone, since .venv fits only these.
stamp_of() {
    sum=$({ cat "$1" pyproject.toml; python3 --version; pwd; } | sha256sum | cut -c 1-16)
    printf '.venv/installed-%s' "$sum"
}

# new_venv: an empty virtual environment, whatever stood there before.
new_venv() {
    python3 -m venv --clear .venv ||
        fail "Python could not make the folder .venv here: check free space and permissions."
}

# pip_install ARGUMENT...: ready wheels only, so that no compiler is ever needed.
pip_install() {
    .venv/bin/python -m pip -qq --disable-pip-version-check --no-input install "$@" ||
        fail "The Python packages could not be installed: check the network and run this again."
}

# install_lock LOCK: install what LOCK lists, every file checked against its hash.
install_lock() {
    printf 'Installing Python packages: %s\n' "$1"
    pip_install --only-binary :all: --require-hashes --requirement "$1"
}

# set_up "PACKAGE..." [LOCK]: Debian packages, the appliance's own lock and one more if given.
set_up() {
    check_python
    # shellcheck disable=SC2086  # one word for each package
    install_packages $1
    if ! [ -e "$(stamp_of requirements.lock)" ]; then
        new_venv
        install_lock requirements.lock
        pip_install --no-build-isolation --no-deps --editable .
        touch "$(stamp_of requirements.lock)"
    fi
    if [ -n "${2:-}" ] && ! [ -e "$(stamp_of "$2")" ]; then
        install_lock "$2"
        touch "$(stamp_of "$2")"
    fi
}
