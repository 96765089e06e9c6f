"""Commented starter files, from generic archetypes; their values are typical, not measured."""

import tomllib
from typing import Any

from pliant.errors import RecordError

# ruff: noqa: E501 (lines of the starter files stay whole)
__all__ = ["MACHINES", "RECIPES", "SPOOLS", "starter", "untouched"]

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

# rigid recipes: layer height, speeds in the order of `baseline.KINDS`, first layer
RECIPES = {
    "everyday": (0.2, 60, 50, 45, 40, 30, 20),
    "fine": (0.12, 50, 40, 35, 30, 25, 15),
    "quick": (0.28, 80, 70, 60, 50, 35, 25),
}


def starter(kind: str, like: str | None = None) -> str:
    """Text of a starter file.

    Parameters
    ----------
    kind : {"machine", "filament", "recipe"}
        Which record.
    like : str, optional
        An archetype: a key of `MACHINES`, `SPOOLS` or `RECIPES`; the first of each when left out.

    Returns
    -------
    str
        TOML with comments.

    Raises
    ------
    RecordError
        If the kind or the archetype is unknown.
    """
    choices: dict[str, tuple] = {"machine": MACHINES, "filament": SPOOLS, "recipe": RECIPES}.get(kind, {})  # type: ignore[assignment]
    if not choices:
        raise RecordError(f"kind must be machine, filament or recipe, got {kind!r}")
    like = like or next(iter(choices))
    if like not in choices:
        raise RecordError(f"unknown archetype {like!r} for a {kind}; choose from {', '.join(choices)}")
    if kind == "recipe":
        return _recipe(like)
    head = "# Typical values, invented for this starter: replace them by your own.\n"
    head += "# A number may be 6.0, a range you are 90 % sure of [5.0, 7.0],\n"
    head += '# or {value = 6.0, spread = 1.1, source = "calliper"} (spread multiplies).\n'
    if kind == "filament":
        shore, low, high = SPOOLS[like]
        return (
            f'{head}starter = "{like}"                # what these values are; lines you change become yours\n'
            f'name = "Soft spool {like}"\nshore = {shore}\nscale = "A"\ndiameter_mm = 1.75\n'
            f"nozzle_c = [{low}, {high}]       # the maker's data sheet rules\n"
            "# dry_c = 65                 # what the maker's data sheet says for drying; drying never goes above\n"
        )
    wheels, spans = MACHINES[like]
    return (
        f'{head}starter = "{like}"            # what these values are; lines you change become yours\n'
        f'name = "My {like} machine"\n\n[drive]\ndriven_wheels = {wheels}\npinch_force_n = [15, 40]\n'
        "grip_friction = [0.3, 0.8]\n# grip_n = 15                 # better than both: pull with a spring balance until it slips\n"
        "motor_force_n = 60\n\n" + "\n".join(spans) + "\n[spool]\n"
        "pull_n = [0.5, 2.0]          # what it takes to draw filament off it\n\n[hot_end]\n"
        "heated_length_mm = 12.5\nbore_mm = 2.0\ncone_half_angle_deg = 30\nnozzle_mm = 0.4\nland_mm = 0.6\n"
        'face_mm = 1.0                # flat around the orifice, outer diameter\nliner = "none"              # none | ptfe\n\n'
        "[motion]\nacceleration_mm_per_s2 = 1000\nretract_acceleration_mm_per_s2 = 1000\ncorner_deviation_mm = 0.02\n"
        "max_speed_mm_per_s = [150, 150, 12, 60]   # x y z e\n# volume_mm = [200, 200, 180]   # SAY IT: how far the nozzle goes, x y z; a proof beside the part needs room\n"
        '# origin = "corner"            # corner | centre: where on the bed x and y are 0\n\n'
        '[program]\ndialect = "auto"            # how the controller reads the words that differ between controllers\n'
        "\n# [tries]                     # what a jam costs you: what to do tonight is chosen by it\n"
        "# restart_min = 15             # to clear the machine and start again\n"
        '# looks_in_every_min = 10      # how often somebody looks at it; "nobody" where nobody does\n'
        "# hardware_min = 480           # to get and fit another part for the machine\n"
    )


def untouched(kind: str, data: dict[str, Any], file: str) -> tuple[str, ...]:
    """Which lines of a record still have the values of the starter that it names, as one sentence; none: nothing.

    Parameters
    ----------
    kind : {"machine", "filament"}
        Which record.
    data : dict
        The record as read.
    file : str
        For messages.

    Returns
    -------
    tuple of str

    Raises
    ------
    RecordError
        If the record names a starter that is none.
    """
    like = data.get("starter")
    if like is None:
        return ()
    if like not in (MACHINES if kind == "machine" else SPOOLS):
        raise RecordError(f"{file}: starter must be the name of one, or be left out, got {like!r}")
    now, first = _leaves(data), _leaves(tomllib.loads(starter(kind, like)))
    same = [key for key, value in first.items() if key not in ("name", "starter") and now.get(key) == value]
    return (f"still the starter's invented values, not yours: {', '.join(same)}",) if same else ()


def _leaves(data: Any, place: str = "") -> dict[str, Any]:
    """Every number of a record by its key, tables and spans unfolded."""
    if isinstance(data, dict):
        items = [(f"{place}.{k}" if place else k, v) for k, v in data.items()]
    elif isinstance(data, list) and data and isinstance(data[0], dict):
        items = [(f"{place}[{i}]", v) for i, v in enumerate(data)]
    else:
        return {place: data} if not isinstance(data, str) else {}
    return {key: value for name, inner in items for key, value in _leaves(inner, name).items()}


def _recipe(like: str) -> str:
    height, inside, behind, solid, outside, air, first = RECIPES[like]
    return (
        "# The recipe that you print rigid filament with: the baseline from which a soft one is derived.\n"
        "# Typical values, invented for this starter: replace them by your own. A key left out takes a default,\n"
        "# which is then listed under `assumed`.\n"
        f'name = "Rigid, {like}"\n\n'
        "# what melts\n"
        "nozzle_c = 205\n\n"
        "# what pushes: more melt in a second, or through a flatter gap, takes more push\n"
        f"layer_height_mm = {height}\nflow_factor = 1.0\n"
        "[bead_speed_mm_per_s]          # by where the bead lies\n"
        f"sparse_inside = {inside:<15}# the grid that fills a part\n"
        f"behind_outside = {behind:<14}# closed beads that nobody sees\n"
        f"solid_layers = {solid:<16}# at bottom and top\n"
        f"on_outside = {outside:<18}# closed beads that make the surface\n"
        f"over_air = {air:<20}# beads that bridge a gap\n"
        "[bead_width_mm]\nsparse_inside = 0.45\nbehind_outside = 0.45\nsolid_layers = 0.45\non_outside = 0.45\n\n"
        "# where the bed pushes back\n"
        f"[first_layer]\nheight_mm = {height}\nwidth_mm = 0.45\nspeed_mm_per_s = {first}\n\n"
        "# what holds back at starts and stops\n"
        "[stops]\npriming_bead_mm = 300          # laid beside the part before it\n"
        "feed_ends_early_mm = 0         # so far before the end of a run\n"
        "back_over_bead_mm = 0          # so far over the bead just laid, before leaving it\n"
        "retraction_mm = 1.0            # 0: none\nretraction_mm_per_s = 30\n"
        'travel_route = "straight"      # straight | inside (stay over the part)\ntravel_mm_per_s = 120\n\n'
        "# what the part needs\n"
        "[part]\nbed_c = 60\nfan_percent = 100              # after the first layer\nsupports = true\nraft = false\n"
    )
