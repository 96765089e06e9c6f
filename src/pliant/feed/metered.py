"""What a drive delivers less than it was asked for: stretch, slip, and teeth that sink into soft filament.

One law for the recipe, over draws, and for a program, at central values. The drive's steps were set up with rigid
filament, into which its teeth sink too: only what soft filament adds is lost.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pliant.arrays import Number
from pliant.checks import among_draws, note_outside
from pliant.feed import chain
from pliant.feed.ends import TOO_DEEP
from pliant.models.drive import pinch_squash_mm, slip_loss, stretch_loss
from pliant.models.metering import BITE_SHARE, bite_loss, flow_factor, largest_cause
from pliant.records.machine import Machine

__all__ = ["RIGID_MPA", "Losses", "losses_at"]

RIGID_MPA = 3000.0  # from memory: modulus of the rigid filament that a drive's steps are set up with
_BITE_SHARE = sum(BITE_SHARE) / 2
_MOST_LOSS = 0.3  # [-] of stretch or of slip: draws beyond it jam, and have no flow factor
_DEEPEST = 0.5  # [-] of the filament: a pinch does not sink past its middle


@dataclass(frozen=True)
class Losses:
    """Shares of the filament asked for that do not arrive, and how deep the pinch flattens it. [-, mm]"""

    stretch: Number
    slip: Number
    bite: Number
    squash_mm: Number = 0.0

    @property
    def dominant(self) -> str:
        """The largest of the three at their middles: stretch, slip or bite."""
        return str(largest_cause(*(float(np.median(part)) for part in (self.stretch, self.slip, self.bite))))

    @property
    def factor(self) -> Any:
        """What to ask for instead of 1. [-]"""
        return flow_factor(self.stretch, self.slip, self.bite)


def losses_at(
    machine: Machine,
    theta: chain.Theta,
    push_n: Number,
    *,
    pull_n: Number,
    wheel_radius_mm: Number,
    bite_share: Number = _BITE_SHARE,
    slip_size: Number = 0.1,
) -> Losses:
    """Losses of a drive at a push.

    Parameters
    ----------
    machine : Machine
        Supplies the kind of drive.
    theta : mapping of str to float or ndarray
        Values of the unknowns.
    push_n : float or ndarray
        At the drive. [N]
    pull_n : float or ndarray
        Of the spool. [N]
    wheel_radius_mm : float or ndarray
        Radius at which the wheel meters rigid filament. [mm]
    bite_share : float or ndarray
        Share of the squash by which the metering radius shrinks. [-]
    slip_size : float or ndarray
        Slip at the limit of grip; from memory, see models/drive.py. [-]

    Returns
    -------
    Losses
    """
    diameter = theta["diameter_mm"]

    def squash_mm(youngs_modulus_mpa: Number) -> Any:
        with among_draws():  # very soft filament squashes past a small contact
            return pinch_squash_mm(
                theta["pinch_force_n"], youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter,
                wheel_radius_mm=wheel_radius_mm,
            )  # fmt: skip

    grip, squash = chain.grip_n(machine, theta), squash_mm(theta["youngs_modulus_mpa"])
    note_outside(squash > _DEEPEST * diameter, TOO_DEEP)
    deeper = np.minimum(squash, _DEEPEST * diameter) - np.minimum(squash_mm(RIGID_MPA), _DEEPEST * diameter)
    return Losses(
        np.minimum(stretch_loss(pull_n, theta["youngs_modulus_mpa"], diameter), _MOST_LOSS),
        np.minimum(slip_loss(np.minimum(push_n, 0.99 * grip), grip, slip_size), _MOST_LOSS),
        bite_loss(bite_share * np.maximum(deeper, 0.0), wheel_radius_mm),
        squash,
    )
