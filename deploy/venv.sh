# shellcheck shell=bash
# Makes .venv in the checkout. Sourced by deploy/start and tests/run; needs $root, the checkout.

# Prints the first Python that is new enough, with the path it would be found by.
find_python() {
    local name
    for name in python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$name" >/dev/null &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
    {
        echo "leverarm needs Python 3.11 or newer; this machine has $(python3 --version 2>/dev/null || echo none)."
        echo "On Debian 12 or newer, this one line brings it:"
        echo "    sudo apt-get install -y python3 python3-venv"
    } >&2
    return 1
}

# Debian keeps the part of Python that makes virtual environments in a package of its own.
check_venv_module() {
    if ! "$1" -c 'import venv, ensurepip' 2>/dev/null; then
        {
            echo "$1 cannot make a virtual environment. On Debian, this one line brings what it lacks:"
            echo "    sudo apt-get install -y python3-venv"
        } >&2
        return 1
    fi
}

install_into_venv() {
    local extra=$1 python=$root/.venv/bin/python
    echo "Installing leverarm$extra into .venv (the first time, this takes some minutes) ..." >&2
    (cd "$root" && PIP_ROOT_USER_ACTION=ignore PIP_DISABLE_PIP_VERSION_CHECK=1 \
        "$python" -m pip install --quiet --editable ".$extra") && return
    {
        echo "The installation failed; the lines above say why. Most often the network is not there."
        echo "Nothing is broken: run the same command again."
    } >&2
    return 1
}

# make_venv [EXTRA]: EXTRA is "" or "[tests]". Installs only when pyproject.toml, or the place of
# the checkout, is not what it was at the last installation: both stand in a stamp file.
make_venv() {
    local extra=${1:-} stamp=$root/.venv/leverarm-stamp want python
    want=$(printf '%s\n' "$root"; sha256sum <"$root/pyproject.toml")
    mkdir -p "$root/var"
    (
        flock 9 # two starts at once: the second waits for the first
        [[ -e $stamp$extra && $(<"$stamp$extra") == "$want" ]] && "$root/.venv/bin/python" -c '' && exit 0
        python=$(find_python) && check_venv_module "$python" || exit 1
        if ! { grep -qxF -- "$root" "$stamp" && "$root/.venv/bin/python" -c ''; } 2>/dev/null; then
            "$python" -m venv --clear "$root/.venv" || exit 1
        fi
        rm -f "$stamp" "$stamp[tests]"
        printf '%s\n' "$root" >"$stamp" # the place is right; the sum below says that it is complete
        install_into_venv "$extra" || exit 1
        printf '%s\n' "$want" | tee "$stamp" >"$stamp$extra"
    ) 9>"$root/var/install.lock"
}
