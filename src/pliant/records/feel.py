"""What `feel` finds, as records; text, page and JSON are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Choice", "Compared", "Feel", "Piece", "Predicted", "PrintedCheck"]


@dataclass(frozen=True)
class Piece:
    """The piece that is pressed: kind, sizes along the load last, and how it is built."""

    kind: str  # pad | ring | column
    size_mm: tuple[float, ...]  # pad: width, depth, height; ring and column: outer, inner diameter, height
    folds: int | None  # of a column; None for the others
    direction: str  # of the load against the layers
    bead_width_mm: float  # of a wall
    skin_mm: float  # solid layers at each end of the print


@dataclass(frozen=True)
class Choice:
    """What can be chosen for a piece; density and pattern mean nothing to a column."""

    shore_a: float  # hardness of the spool
    pattern: str  # of the inside; none for a column
    density: float  # share of the inside that is material
    walls: int  # number of walls

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
    force_n: float  # at the deflection
    low_n: float  # lower end of the 90 % range
    high_n: float  # upper end
    stiffness_n_per_mm: float  # at the start of the curve
    spread: float  # multiplicative standard deviation of the force
    holds: str  # linear | folds | sideways | beyond
    chance_near: float | None  # chance of lying within a quarter of the wanted force


@dataclass(frozen=True)
class Compared:
    """One published row beside what the model says for its hardness."""

    material: str  # as published
    shore_a: float  # hardness
    condition: str  # as published
    measured_mpa: float  # modulus, published
    predicted_mpa: float  # modulus by the model
    ratio: float  # model over data
    source: str  # in words


@dataclass(frozen=True)
class PrintedCheck:
    """How far the model misses the published printed pieces: model over data, one vote a row and one a source."""

    rows: tuple[Compared, ...]
    table_rows: int  # rows of the table
    sources: int  # number of sources
    ratio_by_row: float  # model over data, one vote a row
    scatter_by_row: float  # of that, as a factor
    ratio_by_source: float  # model over data, one vote a source
    scatter_by_source: float  # of that, as a factor
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
    deflection_mm: float  # how far it is pressed together
    strain: float  # deflection over height
    wanted_n: float | None  # force asked for; None where a choice was given
    choices: tuple[Predicted, ...]
    reach_n: tuple[float, float]  # least and most that any choice gives
    curve_mm: tuple[float, ...]  # deflections
    curve_n: tuple[tuple[float, float, float], ...]  # force, low and high end at each
    spread_parts: dict[str, float]  # share of the doubt that each cause brings
    factor: float | None  # of your own piece, that was used; None without one
    measured_n: float | None  # what you measured
    measured_factor: float | None  # over what was predicted
    check: PrintedCheck
    assumed: tuple[str, ...]  # defaults taken, with range and source
    notes: tuple[str, ...]  # where the model ends
    cautions: tuple[str, ...]  # what to take care of

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self) | {"printed_check": self.check.sentence()}
