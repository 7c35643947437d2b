"""Scenes with analytic truth, and sensors that err as real ones do: the test bed.

>>> room = random_room(3)
>>> setups = place_stations(room, 2)
>>> shot = scan_scene(room, sensor("tripod", setups), seed=3, points=20_000)
>>> shot.points_m.shape[1]
3
>>> truth = scene_truth(room, levels=[room.site_m[2] + 0.02])
>>> truth.datum.volume_l > 0
True
"""

from pourdatum.simulate.patch import Patch, highest_patch, patch_mean
from pourdatum.simulate.placing import place_stations, walk_path
from pourdatum.simulate.rays import Hit, cast
from pourdatum.simulate.relief import Hump, Ramp, Relief, Wave
from pourdatum.simulate.rooms import HIGH_KINDS, random_room
from pourdatum.simulate.samples import SAMPLES, Sample, find_sample
from pourdatum.simulate.scanning import Shot, scan_scene
from pourdatum.simulate.scene import Blob, Crate, Door, Hole, Round, Scene, Square
from pourdatum.simulate.sensor import Sensor, sensor
from pourdatum.simulate.truth import (
    LevelTruth,
    Top,
    Truth,
    highest_floor,
    scene_truth,
    true_fills,
    truth_json,
)

__all__ = [
    "HIGH_KINDS",
    "SAMPLES",
    "Blob",
    "Crate",
    "Door",
    "Hit",
    "Hole",
    "Hump",
    "LevelTruth",
    "Patch",
    "Ramp",
    "Relief",
    "Round",
    "Sample",
    "Scene",
    "Sensor",
    "Shot",
    "Square",
    "Top",
    "Truth",
    "Wave",
    "cast",
    "find_sample",
    "highest_floor",
    "highest_patch",
    "patch_mean",
    "place_stations",
    "random_room",
    "scan_scene",
    "scene_truth",
    "sensor",
    "true_fills",
    "truth_json",
    "walk_path",
]
