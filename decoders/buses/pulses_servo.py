"""Servo signals: what angle a pulse commands.

Common practice, no standard: a pulse every 20 ms whose width, not its duty, is the command; 1.0 to
2.0 ms for the travel, 1.5 ms for the middle. What travel that is differs between servos (90, 120,
180, 270 degrees), and so do the widths at its ends (some take 0.5 to 2.5 ms for 180 degrees). So
both ends are told, and a command beyond them drives the motor into its stop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

USUAL_PERIOD_NS = 20_000_000


@dataclass(frozen=True, slots=True)
class Travel:
    """The widths of pulses at the two ends of a servo's travel, and the angles there.

    Raises:
        ValueError: if the ends are one.
    """

    width_us: tuple[float, float] = (1000.0, 2000.0)
    angle_deg: tuple[float, float] = (0.0, 180.0)

    def __post_init__(self) -> None:
        if not 0 < self.width_us[0] < self.width_us[1]:
            raise ValueError(f"widths {self.width_us} are not rising and above 0")
        if self.angle_deg[0] == self.angle_deg[1]:
            raise ValueError(f"angles {self.angle_deg} are the same")

    @property
    def deg_per_us(self) -> float:
        """By what angle a microsecond more moves it; below 0 for one that turns the other way."""
        return (self.angle_deg[1] - self.angle_deg[0]) / (self.width_us[1] - self.width_us[0])

    def angles(self, width_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """The angle each width commands, float64[n] in degrees; outside the travel, too."""
        return (
            self.angle_deg[0]
            + (width_ns.astype(np.float64) / 1e3 - self.width_us[0]) * self.deg_per_us
        )

    def width_of(self, angle_deg: float) -> float:
        """The width that commands an angle, us."""
        return self.width_us[0] + (angle_deg - self.angle_deg[0]) / self.deg_per_us
