"""Universal constants, and the few numbers of ours that many models share, with their source on the same line."""

GAS_CONSTANT_J_PER_MOL_K = 8.314462618  # [J/(mol K)] exact since SI 2019; CODATA 2018
ZERO_CELSIUS_K = 273.15  # [K] exact, SI definition of the Celsius scale
Z90 = 1.6449  # [-] normal score of the 95 % point: a 90 % range lies this many spreads to each side
FEEDS_BELOW = 0.02  # [-] chance of a jam that still counts as `feeds`, and the target if none is said; design section 7
ROOM_C = 25.0  # [degC] common practice, no source: filament at the hot end's inlet has the room's temperature
PRINTING_C = 150.0  # [degC] of the nozzle: a setting below is for waiting or cooling down; our choice
CAREFUL_MM_PER_S = 15.0  # [mm/s] of beads; common practice, no source: the speed that is called conservative and safe
GENTLE_MM_PER_S = 15.0  # [mm/s] of filament alone; common practice, no source: soft filament is moved gently
