"""Commented starter files for `pliant new`, from generic archetypes; their values are typical, not measured."""

from pliant.errors import RecordError

# ruff: noqa: E501 (lines of the starter files stay whole)
__all__ = ["MACHINES", "SPOOLS", "starter"]

_GAP = '[[path]]                     # from the drive to the melt, in order\nkind = "gap"\nlength_mm = {gap}            # MEASURE: pinch point to the next guide\nends = "pinned-fixed"\n'
_GUIDE = '[[path]]\nkind = "guide"\nlength_mm = {length}\nbore_mm = {bore}\nturn_deg = {turn}                # total angle the guide turns\nfriction = [{low}, {high}]\n'
MACHINES = {
    "open-gap": (1, [_GAP.format(gap=6.0), _GUIDE.format(length=25.0, bore=2.0, turn=0, low=0.05, high=0.15)]),
    "guided": (1, [_GAP.format(gap=2.0), _GUIDE.format(length=30.0, bore=2.0, turn=0, low=0.05, high=0.15)]),
    "tube-2.0": (1, [_GAP.format(gap=3.0), _GUIDE.format(length=420.0, bore=2.0, turn=180, low=0.05, high=0.15)]),
    "tube-1.9": (1, [_GAP.format(gap=3.0), _GUIDE.format(length=420.0, bore=1.9, turn=180, low=0.05, high=0.15)]),
    "dual-drive": (2, [_GAP.format(gap=2.5), _GUIDE.format(length=25.0, bore=2.0, turn=0, low=0.05, high=0.15)]),
}
SPOOLS = {"75A": (75, 215, 235), "85A": (85, 210, 230), "95A": (95, 215, 235)}


def starter(kind: str, like: str | None = None) -> str:
    """Text of a starter file.

    Parameters
    ----------
    kind : {"machine", "filament"}
        Which record.
    like : str, optional
        An archetype: a key of `MACHINES` or `SPOOLS`; the first of each when left out.

    Returns
    -------
    str
        TOML with comments.

    Raises
    ------
    RecordError
        If the kind or the archetype is unknown.
    """
    choices: dict[str, tuple] = {"machine": MACHINES, "filament": SPOOLS}.get(kind, {})  # type: ignore[assignment]
    if not choices:
        raise RecordError(f"kind must be machine or filament, got {kind!r}")
    like = like or next(iter(choices))
    if like not in choices:
        raise RecordError(f"unknown archetype {like!r} for a {kind}; choose from {', '.join(choices)}")
    head = "# Typical values, invented for this starter: replace them by your own.\n"
    head += "# A number may be 6.0, a range you are 90 % sure of [5.0, 7.0],\n"
    head += '# or {value = 6.0, spread = 1.1, source = "calliper"} (spread multiplies).\n'
    if kind == "filament":
        shore, low, high = SPOOLS[like]
        return (
            f'{head}name = "Soft spool {like}"\nshore = {shore}\nscale = "A"\ndiameter_mm = 1.75\n'
            f"nozzle_c = [{low}, {high}]       # the maker's data sheet rules\n"
        )
    wheels, spans = MACHINES[like]
    return (
        f'{head}name = "My {like} machine"\n\n[drive]\ndriven_wheels = {wheels}\npinch_force_n = [15, 40]\n'
        "grip_friction = [0.3, 0.8]\nmotor_force_n = 60\n\n" + "\n".join(spans) + "\n[hot_end]\n"
        "heated_length_mm = 12.5\nbore_mm = 2.0\ncone_half_angle_deg = 30\nnozzle_mm = 0.4\nland_mm = 0.6\n"
        'face_mm = 1.0                # flat around the orifice, outer diameter\nliner = "none"              # none | ptfe\n\n'
        "[motion]\nacceleration_mm_per_s2 = 1000\nretract_acceleration_mm_per_s2 = 1000\ncorner_deviation_mm = 0.02\n"
        'max_speed_mm_per_s = [150, 150, 12, 60]   # x y z e\n\n[program]\ndialect = "auto"\n'
    )
