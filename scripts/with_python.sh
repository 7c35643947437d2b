#!/bin/sh
# Finds a Python that is new enough and hands environment.py to it with the words given.
# PYTHON names one and then no other is tried.
here=$(dirname -- "$0")
new_enough='import sys; sys.exit(sys.version_info < (3, 11))'

hand_over() {
    python=$1
    shift
    if "$python" -c "$new_enough" >/dev/null 2>&1; then
        exec "$python" "$here/environment.py" "$@"
    fi
}

if [ -n "${PYTHON:-}" ]; then
    hand_over "$PYTHON" "$@"
    echo "set-up: $PYTHON is no Python 3.11 or newer; name one: PYTHON=/path/to/python3" >&2
    exit 1
fi
for candidate in python3 python3.14 python3.13 python3.12 python3.11 python; do
    hand_over "$candidate" "$@"
done
echo "set-up: no Python 3.11 or newer is found; install one, or name it:" >&2
echo "    PYTHON=/path/to/python3 $here/$1" >&2
exit 1
