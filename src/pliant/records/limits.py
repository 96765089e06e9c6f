"""Temperatures that nothing may go above: the filament maker's data sheet and the hot end's liner."""

from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["PTFE_CEILING_C", "allowed_c"]

PTFE_CEILING_C = 240.0  # from memory: lined hot ends are rated to about this; the liner maker's sheet rules


def allowed_c(machine: Machine, filament: Filament) -> tuple[float, float]:
    """Nozzle temperatures that sheet and liner allow, low and high; low > high where they allow none. [degC]"""
    low, high = filament.nozzle_c
    return low, min(high, PTFE_CEILING_C) if machine.liner == "ptfe" else high
