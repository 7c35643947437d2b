"""How near worst gaps come to the formula's, and verdicts: ``python tests/gap_cover.py A B``.

The floors of ``test_no_wrong_verdict`` for the seeds from A to B: humps, dips and a wave in 4.6 by
3.4 m under noise of 1, 2 or 4 mm. The truth is the straightedge on the formula's own heights, up to
the walls; each floor is judged under twelve limits from half to twice its true gap.
"""

from __future__ import annotations

import sys

import numpy as np

from pourdatum.criteria import gap_limit
from pourdatum.decision import decide
from pourdatum.simulate import Hump, Relief, Wave
from pourdatum.units import MM
from pourdatum.worstgap import worst_gap
from test_flatness import made, truth_m

SHARES = np.concatenate([np.linspace(0.5, 0.9, 6), np.linspace(1.1, 2.0, 6)])


def one_floor(seed: int) -> tuple[float, float, float, int, int]:
    """Noise, value less truth and standard uncertainty [mm]; wrong and open verdicts."""
    rng = np.random.default_rng(seed)
    relief = Relief(
        slope_x=float(rng.normal(0.0, 0.003)),
        humps=tuple(
            Hump(*rng.uniform(0.4, 3.2, 2), rng.normal(0.0, 0.003), rng.uniform(0.4, 1.2))
            for _ in range(5)
        ),
        waves=(Wave(0.0006, rng.uniform(1.2, 4.0), rng.uniform(0.0, 3.0)),),
    )
    noise_m = float(rng.choice([0.001, 0.002, 0.004]))
    found = worst_gap(made(relief, seed=seed + 7, noise_m=noise_m), gap_limit("3mm/2m"))
    assert found is not None
    true_m = truth_m(relief, 2.0)
    wrong = undecided = 0
    for share in SHARES:
        verdict = decide(found.value_m, found.error_m, upper=share * true_m).verdict
        undecided += verdict == "undecided"
        wrong += verdict not in ("undecided", "conforms" if share > 1.0 else "does not conform")
    off_m = found.value_m - true_m
    return noise_m * MM, off_m * MM, found.error_m * MM, wrong, undecided


if __name__ == "__main__":
    every = np.array([one_floor(seed) for seed in range(*map(int, sys.argv[1:3]))])
    for noise in np.unique(every[:, 0]):
        _, off, error, _, _ = every[every[:, 0] == noise].T
        sys.stdout.write(
            f"noise {noise:g} mm: {off.size} floors, mean {off.mean():+.2f} mm, spread "
            f"{off.std():.2f}, beyond 0.5 mm {(np.abs(off) > 0.5).sum()}, beyond three standard "
            f"uncertainties {(np.abs(off) > 3.0 * error).sum()}\n"
        )
    sys.stdout.write(
        f"verdicts: {SHARES.size * len(every)}, wrong {every[:, 3].sum():.0f}, undecided "
        f"{every[:, 4].sum():.0f}\n"
    )
