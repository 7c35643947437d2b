"""Colours, type and the quiet start of the drawing library.

The tones are our own, mixed between a few anchors in OKLab (Björn Ottosson 2020,
https://bottosson.github.io/posts/oklab/), a space in which equal steps look equal.
Depth runs from dry plaster through verdigris to ink: lightness falls all the way,
so the order survives colour blindness and a black-and-white printer. Levels run
from slate (low) through bare plaster (mean) to fired clay (high), a blue and an
orange that people with any common colour blindness tell apart.
"""

from __future__ import annotations

import os
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.optional import need

if TYPE_CHECKING:
    from matplotlib.colors import Colormap
    from matplotlib.font_manager import FontProperties

INK: Final = "#1d2433"
SOFT_INK: Final = "#5a6170"
HAIR: Final = "#b9b6ad"
PAPER: Final = "#ffffff"
PLASTER: Final = "#f4f0e6"
ALERT: Final = "#b3261e"
"""Only for what stops a pour; on light tones."""
ALERT_ON_DARK: Final = "#ff9a6b"
"""The same on dark tones."""
SOLID: Final = "#8b8d92"

SIGNS: Final = {
    "high": ("^", 11),
    "opening": ("X", 8),
    "nib": ("D", 5),
    "again": ("s", 7),
    "level": ("P", 9),
    "shot": ("v", 9),
    "spot": ("o", 4),
    "pin": ("*", 8),
    "corner": ("s", 8),
    "threshold": ("h", 9),
}
"""Marker and its size [pt] of each kind of place."""

TONES: Final = 120
"""Steps of a ramp: fine enough to look smooth, few enough for a palette of 256."""

Ramp = Literal["depth", "level"]

_ANCHORS: Final[dict[Ramp, tuple[tuple[float, str], ...]]] = {
    "depth": (
        (0.0, "#f8f2e2"),
        (0.3, "#bfd0b4"),
        (0.55, "#76a5a0"),
        (0.78, "#3c6b84"),
        (1.0, "#1b2c55"),
    ),
    "level": (
        (0.0, "#2f4a73"),
        (0.25, "#7f9bb5"),
        (0.5, "#f4f0e6"),
        (0.75, "#d9a066"),
        (1.0, "#934a17"),
    ),
}

# Linear sRGB -> cone response -> OKLab, and back; figures of Ottosson's page.
_TO_CONES: Final = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_LAB: Final = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def tones(ramp: Ramp, steps: int = TONES) -> NDArray[np.float64]:
    """The colours of a ramp, low values first.

    Parameters
    ----------
    ramp : {"depth", "level"}
        Which of the two.
    steps : int
        How many colours.

    Returns
    -------
    (steps, 3) float64 array
        sRGB between 0 and 1.

    Examples
    --------
    >>> shallow, deep = tones("depth", 2)
    >>> bool(shallow.sum() > deep.sum())
    True
    """
    stops = np.array([stop for stop, _ in _ANCHORS[ramp]])
    lab = _to_oklab(np.array([_rgb(colour) for _, colour in _ANCHORS[ramp]]))
    at = np.linspace(0.0, 1.0, steps)
    return _from_oklab(np.stack([np.interp(at, stops, lab[:, k]) for k in range(3)], axis=1))


def colour_map(ramp: Ramp) -> Colormap:
    """``tones`` as a colour map; cells without a value stay paper white."""
    colors = need("matplotlib.colors", purpose="drawing a map", extra="base")
    listed = colors.ListedColormap(tones(ramp), name=f"pourdatum-{ramp}")
    clear: Colormap = listed.with_extremes(bad=(1.0, 1.0, 1.0, 0.0))
    return clear


def palette(ramp: Ramp) -> NDArray[np.uint8]:
    """The colours that a picture with this ramp needs, edges of lines included.

    Returns
    -------
    (n, 3) uint8 array
        At most 256 colours of sRGB: a picture packed with them is a third of the
        size, with every tone of the ramp still exact.
    """
    ramp_tones = tones(ramp)
    paper = np.array(_rgb(PAPER))
    plain = (ALERT, ALERT_ON_DARK, SOFT_INK, HAIR, SOLID, PLASTER)
    rows = [ramp_tones, np.array([_rgb(colour) for colour in plain])]
    ink = np.array(_rgb(INK))
    rows.append(ink + (paper - ink) * np.linspace(0.0, 1.0, 24)[:, np.newaxis])
    for colour in (INK, ALERT, ALERT_ON_DARK, PAPER):
        over = np.array(_rgb(colour))
        rows.extend(tone + (over - tone) * np.array([[0.35], [0.7]]) for tone in ramp_tones[4::10])
    inks: NDArray[np.uint8] = np.rint(np.concatenate(rows) * 255).astype(np.uint8)
    return inks


def font(size_pt: float, *, bold: bool = False) -> FontProperties:
    """The type of every picture: the face that travels with the drawing library.

    Named by its file, so that what is installed on a machine changes nothing.
    """
    manager = need("matplotlib.font_manager", purpose="drawing a map", extra="base")
    prop: FontProperties = manager.FontProperties(fname=str(font_file(bold)), size=size_pt)
    return prop


def font_file(bold: bool = False) -> Path:
    """Path of the regular or bold face."""
    library = need("matplotlib", purpose="drawing a map", extra="base")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(library.get_data_path(), "fonts", "ttf", name)


@contextmanager
def drawing() -> Iterator[Any]:
    """Matplotlib with its shipped settings, whatever the user's own file says.

    Yields
    ------
    module
        ``matplotlib``.
    """
    provide_config_folder()
    library = need("matplotlib", purpose="drawing a map", extra="base")
    with library.rc_context():
        library.rcdefaults()
        library.rcParams["path.simplify"] = True
        yield library


def provide_config_folder() -> None:
    """Give matplotlib a folder for its list of fonts, once, where HOME is read-only.

    Without one it makes the list again at every start, which takes seconds on a
    machine with many fonts. The folder in the temporary place is used only if it
    belongs to this user alone: others could plant a list there.
    """
    if "MPLCONFIGDIR" in os.environ or "matplotlib" in sys.modules:
        return
    home = Path(os.environ.get("HOME") or Path("~").expanduser())
    if all(
        _writable(Path(os.environ.get(name) or home / usual) / "matplotlib")
        for name, usual in (("XDG_CONFIG_HOME", ".config"), ("XDG_CACHE_HOME", ".cache"))
    ):
        return
    user = os.getuid() if hasattr(os, "getuid") else "user"
    folder = Path(tempfile.gettempdir()) / f"pourdatum-fonts-{user}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        about = folder.lstat()
    except OSError:
        return
    ours = not hasattr(os, "getuid") or about.st_uid == os.getuid()
    if stat.S_ISDIR(about.st_mode) and ours and (os.name == "nt" or not about.st_mode & 0o077):
        os.environ["MPLCONFIGDIR"] = str(folder)


def _writable(folder: Path) -> bool:
    """Whether the folder, or the nearest one above it that exists, takes files."""
    while not folder.exists():
        if folder.parent == folder:
            return False
        folder = folder.parent
    return folder.is_dir() and os.access(folder, os.W_OK)


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return red, green, blue


def _to_oklab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    out: NDArray[np.float64] = np.cbrt(linear @ _TO_CONES.T) @ _TO_LAB.T
    return out


def _from_oklab(lab: NDArray[np.float64]) -> NDArray[np.float64]:
    linear = (lab @ np.linalg.inv(_TO_LAB).T) ** 3 @ np.linalg.inv(_TO_CONES).T
    linear = np.clip(linear, 0.0, 1.0)
    rgb = np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.clip(rgb, 0.0, 1.0)
