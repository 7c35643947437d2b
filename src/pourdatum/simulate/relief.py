"""The floor of a scene as a formula: a plane, humps, undulations and ramps.

Everything that a truth is integrated from stands here in closed form, so that no
sampling enters it. Heights are in metres over the scene's local zero level.

Examples
--------
>>> relief = Relief(slope_x=0.002, humps=(Hump(1.0, 0.0, 0.008, 0.5, "cosine"),))
>>> round(float(relief.height(1.0, 0.0)), 6)
0.01
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.errors import JobError

HumpShape = Literal["gaussian", "cosine", "cap"]
Pair = tuple[NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True)
class Hump:
    """A smooth rise, round in plan; a negative height makes it a dip.

    Attributes
    ----------
    x_m, y_m : float
        Centre in the scene's local plan [m].
    height_m : float
        Height of the centre over what the floor would be without it [m].
    radius_m : float
        Where "cosine" and "cap" (of a sphere) end; two standard deviations of
        a "gaussian" [m].
    shape : str
        "gaussian" ``h exp(-2 r²/R²)``; "cosine" ``h (1 + cos(pi r/R)) / 2``;
        "cap", a spherical cap.
    """

    x_m: float
    y_m: float
    height_m: float
    radius_m: float
    shape: HumpShape = "cosine"

    def __post_init__(self) -> None:
        if not self.radius_m > 0.0:
            raise JobError(
                f"radius of a hump is {self.radius_m} m", where="Hump", hint="give more than 0"
            )
        if self.shape == "cap" and abs(self.height_m) > self.radius_m:
            raise JobError(
                f"a cap {self.height_m} m high does not fit on a radius of {self.radius_m} m",
                where="Hump",
                hint="a cap is at most as high as its radius",
            )

    @property
    def volume_m3(self) -> float:
        """Volume over its whole plan, in closed form [m³].

        gaussian ``pi h R²/2``; cosine ``pi h R² (1/2 - 2/pi²)``, from integrating
        ``r (1 + cos(pi r/R))/2`` by parts; cap ``pi h (3 R² + h²)/6``.
        """
        h, r = self.height_m, self.radius_m
        if self.shape == "gaussian":
            return math.pi * h * r * r / 2.0
        if self.shape == "cosine":
            return math.pi * h * r * r * (0.5 - 2.0 / math.pi**2)
        return math.pi * h * (3.0 * r * r + h * h) / 6.0

    def rise(self, r2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Height at squared radii [m²] [m]."""
        h, big2 = self.height_m, self.radius_m**2
        if self.shape == "gaussian":
            return np.asarray(h * np.exp(r2 * (-2.0 / big2)))
        inside = r2 < big2
        z = np.zeros_like(r2)
        near = r2[inside]
        if self.shape == "cosine":
            z[inside] = (0.5 * h) * (1.0 + np.cos(np.sqrt(near) * (math.pi / self.radius_m)))
        elif h:
            ball = self._ball_m
            z[inside] = math.copysign(1.0, h) * (np.sqrt(ball * ball - near) - (ball - abs(h)))
        return z

    def profile(self, r2: NDArray[np.float64]) -> Pair:
        """Height [m] and its derivative by the squared radius [1/m], at squared radii [m²]."""
        h, big2 = self.height_m, self.radius_m**2
        z = self.rise(r2)
        if self.shape == "gaussian":
            return z, z * (-2.0 / big2)
        inside = r2 < big2
        dz = np.zeros_like(r2)
        near = r2[inside]
        if self.shape == "cosine":
            a = np.sqrt(near) * (math.pi / self.radius_m)
            dz[inside] = (-0.25 * h * math.pi**2 / big2) * np.sinc(a / math.pi)
        elif h:
            dz[inside] = math.copysign(1.0, h) * -0.5 / np.sqrt(self._ball_m**2 - near)
        return z, dz

    @property
    def _ball_m(self) -> float:
        """Radius of the sphere that a cap is cut from [m]."""
        h = self.height_m
        return (self.radius_m**2 + h * h) / (2.0 * abs(h))


@dataclass(frozen=True)
class Wave:
    """A long low undulation, ``amplitude sin(2 pi s / length + phase)``.

    ``s`` runs along a direction ``toward_rad`` from +x, anticlockwise.
    """

    amplitude_m: float
    length_m: float
    toward_rad: float = 0.0
    phase_rad: float = 0.0

    def __post_init__(self) -> None:
        if not self.length_m > 0.0:
            raise JobError(
                f"length of a wave is {self.length_m} m", where="Wave", hint="give more than 0"
            )

    @property
    def steepest(self) -> float:
        """Greatest slope anywhere on it [m/m]."""
        return abs(self.amplitude_m) * 2.0 * math.pi / self.length_m

    def height(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Height at places [m]."""
        return self.amplitude_m * np.sin(self._angle(x, y))

    def slope(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Slope along its own direction [m/m]."""
        k = 2.0 * math.pi / self.length_m
        return self.amplitude_m * k * np.cos(self._angle(x, y))

    def _angle(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        k = 2.0 * math.pi / self.length_m
        cos, sin = math.cos(self.toward_rad), math.sin(self.toward_rad)
        return (k * cos) * x + (k * sin) * y + self.phase_rad


@dataclass(frozen=True)
class Ramp:
    """A straight rise between two levels, right across the room.

    From the foot at (x_m, y_m) it rises ``rise_m`` over ``length_m`` towards
    ``toward_rad`` (from +x, anticlockwise), level before and after.
    """

    x_m: float
    y_m: float
    toward_rad: float
    length_m: float
    rise_m: float

    def __post_init__(self) -> None:
        if not self.length_m > 0.0:
            raise JobError(
                f"length of a ramp is {self.length_m} m", where="Ramp", hint="give more than 0"
            )

    def share(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far up the ramp a place lies: below 0 before the foot, above 1 past the head."""
        along = (x - self.x_m) * math.cos(self.toward_rad) + (y - self.y_m) * math.sin(
            self.toward_rad
        )
        return along / self.length_m


@dataclass(frozen=True)
class Relief:
    """Height of the floor as a function of place: the sum of its parts.

    Attributes
    ----------
    level_m : float
        Height of the plane at the local zero point [m].
    slope_x, slope_y : float
        Rise of the plane towards +x and +y [m/m].
    humps, waves, ramps
        What stands on the plane.
    """

    level_m: float = 0.0
    slope_x: float = 0.0
    slope_y: float = 0.0
    humps: tuple[Hump, ...] = ()
    waves: tuple[Wave, ...] = ()
    ramps: tuple[Ramp, ...] = ()

    def height(self, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.float64]:
        """Height of the floor at places of any (broadcast) shape [m]."""
        x, y = np.broadcast_arrays(np.asarray(x_m, np.float64), np.asarray(y_m, np.float64))
        z = self.level_m + self.slope_x * x + self.slope_y * y
        for hump in self.humps:
            dx, dy = x - hump.x_m, y - hump.y_m
            z = z + hump.rise(dx * dx + dy * dy)
        for wave in self.waves:
            z = z + wave.height(x, y)
        for ramp in self.ramps:
            z = z + ramp.rise_m * np.clip(ramp.share(x, y), 0.0, 1.0)
        return np.asarray(z)

    def height_and_slope(
        self, x_m: ArrayLike, y_m: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Height [m] and its slopes towards +x and +y [m/m], in one pass."""
        x, y = np.broadcast_arrays(np.asarray(x_m, np.float64), np.asarray(y_m, np.float64))
        z = self.level_m + self.slope_x * x + self.slope_y * y
        zx = np.full_like(z, self.slope_x)
        zy = np.full_like(z, self.slope_y)
        for hump in self.humps:
            dx, dy = x - hump.x_m, y - hump.y_m
            bump, by_r2 = hump.profile(dx * dx + dy * dy)
            z = z + bump
            zx += 2.0 * dx * by_r2
            zy += 2.0 * dy * by_r2
        for wave in self.waves:
            z = z + wave.height(x, y)
            along = wave.slope(x, y)
            zx += along * math.cos(wave.toward_rad)
            zy += along * math.sin(wave.toward_rad)
        for ramp in self.ramps:
            share = ramp.share(x, y)
            z = z + ramp.rise_m * np.clip(share, 0.0, 1.0)
            rising = ((share > 0.0) & (share < 1.0)) * (ramp.rise_m / ramp.length_m)
            zx += rising * math.cos(ramp.toward_rad)
            zy += rising * math.sin(ramp.toward_rad)
        return z, zx, zy
