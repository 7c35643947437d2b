"""Makes the requirement files anew from pyproject.toml: ``python scripts/lock.py``.

One resolution holds for Python 3.11 to 3.14 on every platform; each file is then
held to it, so that they agree. Every package is taken as new as it goes.
Needs the network, and half a minute.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from environment import PROJECT, Environment, run, say

RESOLVER = "uv==0.13.9"

FILES = {
    "requirements.txt": [],
    "requirements-formats.txt": ["--extra", "e57"],
    "requirements-registration.txt": ["--extra", "registration"],
    "requirements-large.txt": ["--extra", "fast", "--extra", "cluster"],
    "requirements-page.txt": ["--extra", "page"],
    "requirements-dev.txt": ["--group", "dev"],
}

# Open3D's oldest C library for Linux; on Intel Macs its markers leave it out.
PLATFORMS = (
    "x86_64-manylinux_2_35",
    "aarch64-manylinux_2_35",
    "aarch64-apple-darwin",
    "x86_64-apple-darwin",
    "x86_64-pc-windows-msvc",
)
PYTHONS = ("3.11", "3.12", "3.13", "3.14")


def main() -> None:
    """Resolve, write the files, and try that every platform finds its wheels."""
    with tempfile.TemporaryDirectory() as place:
        run([sys.executable, "-m", "venv", place], must=True)
        tools = Environment(Path(place), (), editable=False)
        run([tools.python, "-m", "pip", "install", "--quiet", RESOLVER], must=True)
        uv = [tools.program("uv"), "pip"]
        everything = Path(place, "everything.txt")
        compile_ = [*uv, "compile", "pyproject.toml", "--quiet", "--universal"]
        compile_ += ["--python-version", PYTHONS[0], "--only-binary", ":all:"]
        compile_ += ["--generate-hashes", "--no-header", "--no-annotate"]
        groups = [option for options in FILES.values() for option in options]
        run([*compile_, *groups, "--output-file", everything], must=True, quiet=True)
        for name, options in FILES.items():
            made = Path(place, name)
            narrowed = [*compile_, *options, "--constraint", everything, "--output-file", made]
            run(narrowed, must=True, quiet=True)
            for where in PLATFORMS:
                for version in PYTHONS:
                    trial = [*uv, "install", "--quiet", "--dry-run", "--no-deps", "-r", made]
                    trial += ["--target", Path(place, "trial"), "--only-binary", ":all:"]
                    run(
                        [*trial, "--python-platform", where, "--python-version", version], must=True
                    )
            head = "# Made by `python scripts/lock.py`; changes by hand are lost.\n"
            (PROJECT / name).write_text(head + made.read_text(), newline="\n")
            say(f"{name}: wheels for Python {', '.join(PYTHONS)} on {', '.join(PLATFORMS)}")


if __name__ == "__main__":
    main()
