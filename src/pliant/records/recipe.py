"""A soft recipe as `plan` derives it: values with range and reason, the map they were read from, what would help."""

from dataclasses import asdict, dataclass
from typing import Any

from pliant.records.evidence import AfterPrints, WithPractice
from pliant.records.findings import Levelling
from pliant.records.tonight import Tonight

__all__ = ["HeightRow", "Helps", "Recipe", "Setting", "WindowMap"]


@dataclass(frozen=True)
class Setting:
    """One line of the ledger."""

    key: str  # as in baseline.toml
    what: str  # in words
    unit: str  # of the values, in words
    baseline: float | str  # your rigid value
    value: float | str  # the soft one
    low: float | None  # lower end of the 90 % range; None where the value is a word
    high: float | None  # upper end
    basis: str  # computed | common practice | data sheet | kept
    reason: str  # one plain sentence
    guards: str  # the mechanism it guards against
    moved_by: str  # what would move it


@dataclass(frozen=True)
class HeightRow:
    """Speeds at another layer height, at the recipe's temperature and the same chance of a jam."""

    layer_height_mm: float  # the other height
    flow_mm3_per_s: float  # largest that meets the target
    speed_mm_per_s: dict[str, float]  # by kind of bead
    time_factor: float  # time for the same part, relative to the recipe


@dataclass(frozen=True)
class WindowMap:
    """Chance of a jam over speed and temperature, for one kind of bead at a steady flow."""

    bead: str  # kind of bead, in words
    width_mm: float  # of that bead
    layer_height_mm: float  # of the map
    speed_mm_per_s: tuple[float, ...]  # one axis
    nozzle_c: tuple[float, ...]  # the other axis
    jam_probability: tuple[tuple[float, ...], ...]  # one row a temperature, one column a speed
    allowed_c: tuple[float, float]  # data sheet and liner
    recipe: tuple[float, float] | None  # the recipe's speed [mm/s] and temperature [°C]; None where none works
    baseline: tuple[float, float]  # your rigid recipe's speed [mm/s] and temperature [°C]


@dataclass(frozen=True)
class Helps:
    """A change of machine or spool, and the recipe that it would allow."""

    change: str  # in words
    works: bool  # whether a recipe meets the target with it
    speed_mm_per_s: float  # of the bead of the window map; 0 where nothing feeds
    nozzle_c: float  # of that recipe
    time_factor: float | None  # time for the same part, relative to the baseline; None where nothing feeds
    baseline_jam_probability: float  # with the change, at the baseline's own speeds and temperature


@dataclass(frozen=True)
class Recipe:
    """Recipe derived for one machine and one spool; `works` false: none meets the target, and `settings` is empty."""

    name: str  # of the recipe
    machine: str  # name of the record
    filament: str  # name of the record
    baseline: str  # name of the record
    target: float  # chance of a jam to stay under
    works: bool  # whether there is a recipe
    verdict: str  # one sentence
    jam_probability: float  # of the recipe; where none works, of the slowest one that would still be of use
    jam_probability_error: float  # standard error of the chance: of the draws it comes from
    baseline_jam_probability: float  # of your rigid recipe with this spool
    mechanism: str  # the mechanism that gives first
    by_mechanism: dict[str, float]  # chance of a jam by mechanism
    time_factor: float | None  # time for the same part, relative to the baseline
    settings: tuple[Setting, ...]
    by_height: tuple[HeightRow, ...]
    window: WindowMap
    helps: tuple[Helps, ...]
    measure_next: dict[str, float]  # share of the doubt that each unknown brings
    levelling: Levelling | None  # what the bed's error makes of the doubt; None where it is little
    part_advice: tuple[str, ...]  # what the part itself should do
    assumed: tuple[str, ...]  # defaults taken, with range and source
    notes: tuple[str, ...]  # what is special about this recipe
    cautions: tuple[str, ...]  # what to take care of
    after_prints: AfterPrints | None = None  # what the book's prints make of the chance; None where there are none
    tonight: Tonight | None = None  # for a part of an hour at your rigid speed; None where that feeds
    with_practice: WithPractice | None = None  # what the trade's word makes of it; None where it was not asked

    def setting(self, key: str) -> Setting:
        """The line of that key."""
        return next(s for s in self.settings if s.key == key)

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data, the bare values once more by key."""
        return asdict(self) | {"values": {s.key: s.value for s in self.settings}}
