"""What `feel` finds, as records; text, page and JSON are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Choice", "Compared", "Feel", "Piece", "Predicted", "PrintedCheck"]


@dataclass(frozen=True)
class Piece:
    """The piece that is pressed: kind, sizes along the load last, and how it is built."""

    kind: str  # pad | ring | column
    size_mm: tuple[float, ...]  # pad: width, depth, height; ring and column: outer, inner diameter, height
    folds: int | None
    direction: str
    bead_width_mm: float
    skin_mm: float


@dataclass(frozen=True)
class Choice:
    """What can be chosen for a piece; density and pattern mean nothing to a column."""

    shore_a: float
    pattern: str
    density: float
    walls: int

    def words(self) -> str:
        """One line for a table."""
        walls = f"{self.walls} wall{'s' if self.walls > 1 else ''}"
        if self.pattern == "none":
            return f"{self.shore_a:g}A, {walls}"
        inside = "solid" if self.density >= 1 else f"{self.pattern} {100 * self.density:.0f} %"
        return f"{self.shore_a:g}A, {inside}, {walls}"


@dataclass(frozen=True)
class Predicted:
    """Force of one choice at the deflection, with its 90 % range and how far the model holds there."""

    choice: Choice
    force_n: float
    low_n: float
    high_n: float
    stiffness_n_per_mm: float
    spread: float
    holds: str  # linear | folds | sideways | beyond
    chance_near: float | None  # chance of lying within a quarter of the wanted force


@dataclass(frozen=True)
class Compared:
    """One published row beside what the model says for its hardness."""

    material: str
    shore_a: float
    condition: str
    measured_mpa: float
    predicted_mpa: float
    ratio: float
    source: str


@dataclass(frozen=True)
class PrintedCheck:
    """How far the model misses the published printed pieces: model over data, one vote a row and one a source."""

    rows: tuple[Compared, ...]
    table_rows: int
    sources: int
    ratio_by_row: float
    scatter_by_row: float
    ratio_by_source: float
    scatter_by_source: float
    miss: float  # root mean square of the log ratio, one vote a source, as a factor: carried into the spread

    def sentence(self) -> str:
        """One line for a report."""
        return (
            f"printed-TPU table: model over data by ×{self.ratio_by_source:.2f} with a scatter of "
            f"×{self.scatter_by_source:.2f} over {self.sources} sources (×{self.ratio_by_row:.2f} and "
            f"×{self.scatter_by_row:.2f} over {len(self.rows)} rows, of {self.table_rows} in the table)"
        )


@dataclass(frozen=True)
class Feel:
    """Choices near a wanted force, or the force of one choice; `curve_*` belong to the first of them."""

    piece: Piece
    deflection_mm: float
    strain: float
    wanted_n: float | None
    choices: tuple[Predicted, ...]
    reach_n: tuple[float, float]
    curve_mm: tuple[float, ...]
    curve_n: tuple[tuple[float, float, float], ...]
    spread_parts: dict[str, float]
    factor: float | None
    measured_n: float | None
    measured_factor: float | None
    check: PrintedCheck
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self) | {"printed_check": self.check.sentence()}
