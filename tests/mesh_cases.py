"""Small meshes with known areas, and ways to load them, shared by the tests of meshes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from pourdatum.errors import PourdatumError
from pourdatum.read.glb import load_glb, load_gltf
from pourdatum.read.mesh import Mesh, SoundMesh, made_sound
from pourdatum.read.obj import load_obj
from pourdatum.read.ply_mesh import load_ply
from pourdatum.read.source import find_source
from pourdatum.read.stl import load_binary, load_text
from read_bytes import written

LOADS: dict[str, Callable[..., Mesh]] = {
    "glb": load_glb, "gltf": load_gltf, "obj": load_obj, "stl": load_binary,
    "stl-text": load_text, "ply": load_ply, "ply-big": load_ply, "ply-text": load_ply,
}  # fmt: skip

SQUARE = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
HALVES = np.array([[0, 1, 2], [0, 2, 3]])


def uneven_axis(length_m: float) -> Any:
    """Vertices 0.5 m apart, and 10 mm apart in the middle metre."""
    middle = np.arange(length_m / 2 - 0.5, length_m / 2 + 0.501, 0.01)
    return np.unique(np.round(np.concatenate([np.arange(0, length_m + 0.1, 0.5), middle]), 3))


def dome_m(x: Any, y: Any) -> Any:
    """A tilted floor with a paraboloid over it, 20 mm high in the middle [m]."""
    return 0.003 * x - 0.002 * y + 0.020 * (1 - ((x - 3) / 3) ** 2) * (1 - ((y - 2) / 2) ** 2)


def refusal_of(call: Callable[[], object]) -> str:
    """The sentence of a refusal, empty where the call succeeds; other errors pass through."""
    try:
        call()
    except PourdatumError as refusal:
        return str(refusal)
    return ""


def sound(load: Callable[..., Mesh], content: bytes, folder: Path) -> SoundMesh:
    """The mesh of a file that holds the content."""
    source = find_source(written(folder, "mesh", content))
    return made_sound(load(source), source)


def metres(points: Any, scan: Any) -> Any:
    """Lattice points in metres, origin added."""
    return points * 1e-5 + np.array(scan.origin_m)
