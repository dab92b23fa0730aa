# Read by `demo` and by tests/run: a virtual environment of the checkout's own, made when it is missing or out of date.
# POSIX sh. The caller has set `root`, the checkout.

# usable_python: sets `python` to one that is new enough and can make virtual environments, else says what to install.
usable_python() {
    old='' bare=''
    for python in python3 python3.13 python3.12 python3.11; do
        command -v "$python" >/dev/null 2>&1 || continue
        if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            old="${old:+$old, }$python"
        elif "$python" -c 'import ensurepip, venv' 2>/dev/null; then
            return 0
        else # Debian keeps the second half of it in a package of its own
            bare=$("$python" -c 'import sys; print("python3.%d" % sys.version_info[1])')
        fi
    done
    if [ -n "$bare" ]; then
        echo "$bare cannot make virtual environments: install $bare-venv (on Debian: apt install $bare-venv)" >&2
    else
        echo "Python 3.11 or later is needed, here is ${old:-none}: install it (on Debian: apt install python3 python3-venv)" >&2
    fi
    return 1
}

# environment FOLDER EXTRAS: FOLDER/bin holds the project with EXTRAS ("" or "[test]"), its sources used where they lie.
environment() {
    usable_python || return 1
    # Made for this checkout, these requirements and this Python; another of them, and it is made again.
    made_for="$root $2 $(cksum <"$root/pyproject.toml") $("$python" -c 'import sys; print(sys.executable, sys.version)')"
    if [ "$(cat "$1/made-for" 2>/dev/null)" = "$made_for" ] && "$1/bin/python" -c 'import banderole' 2>/dev/null; then
        return 0
    fi
    echo "Preparing $1 (once; takes a minute or so) …" >&2
    "$python" -m venv --clear "$1" || {
        echo "no virtual environment can be made in $1: check that the folder can be written" >&2
        return 1
    }
    "$1/bin/python" -m pip install -qq --no-input --disable-pip-version-check --editable "$root$2" || {
        echo "the project cannot be installed into $1: see above; pip needs the package index, or a copy of it" >&2
        return 1
    }
    printf '%s\n' "$made_for" >"$1/made-for"
}
