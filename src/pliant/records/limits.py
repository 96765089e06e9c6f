"""Temperatures that nothing may go above: the filament maker's data sheet and the hot end's liner."""

from pliant.errors import RecordError
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["PTFE_CEILING_C", "allowed_c", "require_fit"]

PTFE_CEILING_C = 240.0  # from memory: lined hot ends are rated to about this; the liner maker's sheet rules


def allowed_c(machine: Machine, filament: Filament) -> tuple[float, float]:
    """Nozzle temperatures that sheet and liner allow, low and high; low > high where they allow none. [degC]"""
    low, high = filament.nozzle_c
    return low, min(high, PTFE_CEILING_C) if machine.liner == "ptfe" else high


def require_fit(machine: Machine, filament: Filament) -> None:
    """Raise `RecordError` unless the filament is thinner than every bore it has to pass."""
    bores = [("hot_end.bore_mm", machine.bore_mm.value)]
    bores += [(f"path[{i}].bore_mm", s.bore_mm.value) for i, s in enumerate(machine.path) if s.bore_mm is not None]
    for key, bore in bores:
        if bore <= filament.diameter_mm.value:
            raise RecordError(
                f"machine {machine.name!r}, filament {filament.name!r}: {key} must exceed diameter_mm, got {bore:g} "
                f"and {filament.diameter_mm.value:g}; measure both"
            )
