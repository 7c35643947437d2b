"""What two scans prove of a pour, as values: the verdict, and what it hangs on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from pourdatum.decision import GUARDED, Rule, Verdict
from pourdatum.finding import MOSTLY
from pourdatum.uncertainty import COVER_95
from pourdatum.used import EVEN

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.levelness import Levelness
    from pourdatum.mends import Mend
    from pourdatum.placed import Placed
    from pourdatum.register import Registration

IF_CEILING: Final = "if the ceiling did not move"
"""What is said beside whatever holds on that condition alone."""


@dataclass(frozen=True, eq=False)
class Verification:
    """What two scans prove of a pour.

    Attributes
    ----------
    registration : Registration or None
        None where both scans came in one frame.
    placed : Placed or None
        None where it could not be had.
    lacks : str
        Why it could not; empty where it could.
    flatness : tuple of Flatness
    level : Levelness or None
        None where the scan has no vertical.
    rule : Rule
        By which verdicts were given.
    judged : float
        Share of the floor that was seen after the pour; what was not is not judged.
    mends : tuple of (Mend or None)
        What would mend the worst place of each criterion; None where no straightedge lies there.
    borne_out : str
        What besides the scans bears out heights that hang on a ceiling: the bags, the plan; or "".
    """

    registration: Registration | None
    placed: Placed | None
    lacks: str
    flatness: tuple[Flatness, ...]
    level: Levelness | None
    rule: Rule = GUARDED
    judged: float = 1.0
    mends: tuple[Mend | None, ...] = ()
    borne_out: str = ""

    @property
    def on_ceiling(self) -> bool:
        """Whether a ceiling alone ties the heights, and nothing else bears it out.

        One that was hung lower by a millimetre is a millimetre of pour, and no interval holds it.
        Marks bear it out, heads, a second level face, and what the bags or the plan come to.
        """
        tie = self.registration
        return tie is not None and tie.height_known and stands_alone(tie) and not self.borne_out

    @property
    def skim_unseen_m(self) -> float | None:
        """Up to which thickness a ceiling may have been skimmed with nothing to contradict it [m].

        Heights hang on the ceiling as a whole, and what bears it out knows it no better than this.
        None where marks tie them, and where nothing bears it out: then all hangs on a condition.
        """
        tie = self.registration
        if tie is None or not tie.height_known or tie.marks or self.on_ceiling:
            return None
        seen = [abs(one.rise_m) + COVER_95 * one.error_m for one in tie.bearing_out]
        if tie.heads is not None:
            seen.append(abs(tie.heads.rise_m) + COVER_95 * tie.heads.error_m)
        if not seen and self.placed is not None:
            # The bags or the plan come to the same volume, to within its interval and their own.
            low, high = self.placed.volume_interval_m3
            seen.append(
                (0.5 * (high - low) + EVEN * abs(self.placed.volume_m3)) / self.placed.area_m2
            )
        return min(seen, default=None)

    @property
    def verdict_on_ceiling(self) -> bool:
        """Whether the floor's verdict is one only if the ceiling did not move."""
        off = None if self.level is None else self.level.departure
        if off is None or off.verdict is None or not off.on_ceiling:
            return False
        missed = any(one.verdict == "does not conform" for one in self.flatness)
        return self.verdict == "conforms" or (self.verdict == "does not conform" and not missed)

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Every verdict there is."""
        found = [one.verdict for one in self.flatness]
        if self.level is not None and self.level.departure is not None:
            verdict = self.level.departure.verdict
            found += [] if verdict is None else [verdict]
        return tuple(found)

    @property
    def verdict(self) -> Verdict | None:
        """The floor's: one that fails decides, then one that is open; None where nothing was asked.

        A floor of which much was not seen is open, whatever the rest keeps.
        """
        for worst in ("does not conform", "undecided"):
            if worst in self.verdicts:
                return worst
        if not self.verdicts:
            return None
        return "conforms" if self.judged >= MOSTLY else "undecided"


def stands_alone(tie: Registration) -> bool:
    """Whether nothing that both scans show bears out the face that heights hang on."""
    return not tie.marks and tie.heads is None and not tie.bearing_out
