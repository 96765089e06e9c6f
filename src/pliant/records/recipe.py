"""A soft recipe as `plan` derives it: values with range and reason, the map they were read from, what would help."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["HeightRow", "Helps", "Recipe", "Setting", "WindowMap"]


@dataclass(frozen=True)
class Setting:
    """One line of the ledger."""

    key: str
    what: str  # in words
    unit: str
    baseline: float | str
    value: float | str
    low: float | None  # 90 % range; None where the value is a word
    high: float | None
    basis: str  # computed | common practice | data sheet | kept
    reason: str  # one plain sentence
    guards: str  # the mechanism it guards against
    moved_by: str  # what would move it


@dataclass(frozen=True)
class HeightRow:
    """Speeds at another layer height, at the recipe's temperature and the same chance of a jam."""

    layer_height_mm: float
    flow_mm3_per_s: float
    speed_mm_per_s: dict[str, float]  # by kind of bead
    time_factor: float  # time for the same part, relative to the recipe


@dataclass(frozen=True)
class WindowMap:
    """Chance of a jam over speed and temperature, for one kind of bead at a steady flow."""

    bead: str
    width_mm: float
    layer_height_mm: float
    speed_mm_per_s: tuple[float, ...]  # (n_speeds,)
    nozzle_c: tuple[float, ...]  # (n_temperatures,)
    jam_probability: tuple[tuple[float, ...], ...]  # (n_temperatures, n_speeds)
    allowed_c: tuple[float, float]  # data sheet and liner
    recipe: tuple[float, float] | None  # speed, temperature
    baseline: tuple[float, float]


@dataclass(frozen=True)
class Helps:
    """A change of machine or spool, and the recipe that it would allow."""

    change: str
    works: bool
    speed_mm_per_s: float  # of the bead of the window map; 0 where nothing feeds
    nozzle_c: float
    time_factor: float | None  # time for the same part, relative to the baseline; None where nothing feeds
    baseline_jam_probability: float  # with the change, at the baseline's own speeds and temperature


@dataclass(frozen=True)
class Recipe:
    """Recipe derived for one machine and one spool; `works` false: none meets the target, and `settings` is empty."""

    name: str
    machine: str
    filament: str
    baseline: str
    target: float
    works: bool
    verdict: str  # one sentence
    jam_probability: float  # of the recipe; where none works, of the slowest one that would still be of use
    jam_probability_low: float
    jam_probability_high: float
    baseline_jam_probability: float
    mechanism: str
    by_mechanism: dict[str, float]
    time_factor: float | None  # time for the same part, relative to the baseline
    settings: tuple[Setting, ...]
    by_height: tuple[HeightRow, ...]
    window: WindowMap
    helps: tuple[Helps, ...]
    measure_next: dict[str, float]
    part_advice: tuple[str, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    def setting(self, key: str) -> Setting:
        """The line of that key."""
        return next(s for s in self.settings if s.key == key)

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data, the bare values once more by key."""
        return asdict(self) | {"values": {s.key: s.value for s in self.settings}}
