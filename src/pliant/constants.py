"""Universal constants, with their source on the same line."""

GAS_CONSTANT_J_PER_MOL_K = 8.314462618  # [J/(mol K)] exact since SI 2019; CODATA 2018
ZERO_CELSIUS_K = 273.15  # [K] exact, SI definition of the Celsius scale
