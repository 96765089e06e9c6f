"""What is taken at the end of a range instead of beyond it, in words: counted draw by draw, told by `validity`."""

__all__ = ["NOT_FULL", "ON_THE_BED", "SOFTENED", "STEEP", "TOO_DEEP"]

STEEP = "the nozzle's cone is steeper than its theory holds for: it is taken as 30 degrees"
NOT_FULL = "the gap under the nozzle is so high that the bed pulls the bead out of it: no dam is counted there"
SOFTENED = "filament is pushed past the strain that was measured: it stores three times as much, no more"
ON_THE_BED = "the nozzle all but touches the bed under the first layer: the gap is taken as 0.03 mm"
TOO_DEEP = "the drive's pinch would flatten the filament past its middle: to tell what arrives it is taken as half flat"
