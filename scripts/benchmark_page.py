"""Times reports in headless Chromium, from being opened to being ready to be touched.

    python scripts/benchmark_page.py PLAN/report.html...

For each page its size and the least of some openings: of a busy machine the least is the page's.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from browser import open_browser

_ROUNDS = 5


def main(paths: list[str]) -> None:
    """Open each page some times, and print a row."""
    print("| page | MB | ready, ms |\n|---|---|---|")
    with open_browser() as browser:
        for path in map(Path, paths):
            ready_ms = []
            for _ in range(_ROUNDS):
                with browser.page(path) as page:
                    ready_ms.append(int(page.run("document.documentElement.dataset.ready")))
            print(f"| {path} | {path.stat().st_size / 1e6:.2f} | {min(ready_ms)} |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
