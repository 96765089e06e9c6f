"""Docstrings of the models: every parameter described, every unit in brackets and in step with the name's suffix."""

import importlib
import inspect
import pkgutil
import re

import pint
import pytest

import pliant.models

UREG = pint.UnitRegistry()
# what a suffix means, read as pint reads it; `_` multiplies and `_per_` divides
SUFFIX = {
    "mm": "mm", "mm2": "mm^2", "mm3": "mm^3", "mm4": "mm^4", "m2": "m^2", "m3": "m^3", "s": "s", "h": "hour",
    "n": "N", "kg": "kg", "pa": "Pa", "kpa": "kPa", "mpa": "MPa", "kj": "kJ", "mol": "mol", "c": "degC", "k": "K",
    "rad": "rad", "deg": "deg", "percent": "percent", "sn": "s",
}  # fmt: skip
SECTIONS = ("Parameters", "Returns", "Raises", "Warns", "Notes", "Examples", "References")


def _public():
    for module in pkgutil.iter_modules(pliant.models.__path__):
        room = importlib.import_module(f"pliant.models.{module.name}")
        for name in room.__all__:
            thing = getattr(room, name)
            if inspect.isfunction(thing):
                yield pytest.param(thing, id=f"{module.name}.{name}")


FUNCTIONS = list(_public())


def sections(text):
    """Split a numpydoc text by its underlined headings."""
    lines, found, here = inspect.cleandoc(text).split("\n"), {"": []}, ""
    for i, line in enumerate(lines):
        if i + 1 < len(lines) and line in SECTIONS and set(lines[i + 1]) == {"-"}:
            here = line
            found[here] = []
        elif not (set(line) == {"-"} and i and lines[i - 1] in SECTIONS):
            found[here].append(line)
    return {name: "\n".join(body) for name, body in found.items()}


def entries(body):
    """Pairs of the names and the description of each entry of a Parameters or Returns section."""
    found = []
    for line in body.split("\n"):
        if line and not line.startswith(" "):
            found.append([line, ""])
        elif found:
            found[-1][1] += " " + line.strip()
    return [(head, text.strip()) for head, text in found]


def unit_of_name(name):
    """Unit that the last parts of a name spell, or None for a name without one."""
    parts = name.split("_")
    start = len(parts)
    while start > 1 and (parts[start - 1] in SUFFIX or parts[start - 1] == "per"):
        start -= 1
    if parts[start:][:1] == ["per"]:  # mass_per_length has no unit; span_per_mpa has
        start -= parts[start - 1] in SUFFIX
    tail = parts[start:]
    if not tail or tail == ["per"]:
        return None
    over = tail.index("per") if "per" in tail else len(tail)
    above = "*".join(SUFFIX[p] for p in tail[:over]) or "1"
    below = "*".join(SUFFIX[p] for p in tail[over + 1 :])
    return UREG.Unit(f"({above})/({below})" if below else above)


def unit_of_bracket(text):
    """Unit in brackets; a dash is a pure number. The n of a consistency, Pa s^n, is taken as 1."""
    if text == "-":
        return None
    text = re.sub(r"\^n\b", "", text).removesuffix(" of mass").replace("%", "percent")
    return UREG.Unit(re.sub(r"(?<=[a-zA-Z])(\d)", r"^\1", text.replace(" ", "*")))


def brackets(description):
    """Units at the end of a description, `[mm]`, `[mm], [MPa]` or `[mm, MPa]`."""
    tail = re.search(r"((?:\[[^\[\]]+\](?:, )?)+)$", description.rstrip(". "))
    found = re.findall(r"\[([^\[\]]+)\]", tail[1]) if tail else []
    return [unit.strip() for bracket in found for unit in bracket.split(",")]


def complaints(function):
    """What is missing or contradicts itself in a function's docstring."""
    found = []
    text = sections(function.__doc__ or "")
    described = {}
    for head, description in entries(text.get("Parameters", "")):
        names, _, kind = head.partition(" : ")
        names = [n.strip() for n in names.split(",")]
        units = brackets(description)
        if len(description) < 8:
            found.append(f"{head}: no description")
        for i, name in enumerate(names):
            described[name] = kind
            if kind.startswith(("{", "str", "bool")):
                continue
            if len(units) not in (1, len(names)):
                found.append(f"{name}: description must end in its unit in brackets, has {units}")
                continue
            found += _differs(name, units[i if len(units) > 1 else 0])
    given = list(inspect.signature(function).parameters)
    found += [f"{name}: not described" for name in given if name not in described]
    found += [f"{name}: described, but no parameter" for name in described if name not in given]
    for name, parameter in inspect.signature(function).parameters.items():
        if parameter.default not in (inspect.Parameter.empty, None) and "default" not in described.get(name, "default"):
            found.append(f"{name}: default not named")
    for head, description in entries(text.get("Returns", "")):
        units = brackets(description)
        if len(units) != 1:
            found.append(f"returns {head}: must end in one unit in brackets, has {units}")
        else:
            found += _differs(function.__name__, units[0])
    source = inspect.getsource(function)
    for mark, section in (
        ("require_", "Raises"),
        ("raise ", "Raises"),
        ("warn_outside", "Warns"),
        ("return", "Returns"),
    ):
        if mark in source.replace(function.__doc__ or "", "") and section not in text:
            found.append(f"no {section} section")
    if ">>>" not in text.get("Examples", ""):
        found.append("no example")
    return found


def _differs(name, bracket):
    try:
        stated = unit_of_bracket(bracket)
    except (pint.UndefinedUnitError, pint.errors.DefinitionSyntaxError, AttributeError, TypeError) as error:
        return [f"{name}: [{bracket}] is no unit ({error})"]
    if stated != unit_of_name(name):
        return [f"{name}: suffix says {unit_of_name(name)}, bracket [{bracket}]"]
    return []


def test_the_walk_finds_the_models():
    names = {p.id for p in FUNCTIONS}
    assert len(names) >= 35
    assert {"guide.push_into_guide_n", "column.buckling_force_n", "bead.is_squeezed"} <= names


@pytest.mark.parametrize("function", FUNCTIONS)
def test_docstring_is_complete_and_units_agree(function):
    assert complaints(function) == []


@pytest.mark.parametrize(
    ("name", "bracket"),
    [
        ("flow_mm3_per_s", "mm3/s"), ("torque_n_mm", "N mm"), ("melt_compressibility_per_mpa", "1/MPa"),
        ("consistency_pa_sn", "Pa s^n"), ("activation_kj_per_mol", "kJ/mol"), ("wall_c", "degC"), ("turn_rad", "rad"),
        ("second_moment_mm4", "mm4"), ("friction", "-"), ("diffusivity_m2_per_s", "m2/s"), ("time_h", "h"),
    ],
)  # fmt: skip
def test_names_and_brackets_are_read(name, bracket):
    assert _differs(name, bracket) == []


@pytest.mark.parametrize(
    ("name", "bracket"),
    [
        ("flow_mm3_per_s", "mm3"),
        ("gap_mm", "m"),
        ("push_n", "-"),
        ("friction", "N"),
        ("wall_c", "K"),
        ("push_n", "newt"),
    ],
)  # fmt: skip
def test_the_check_can_fail(name, bracket):
    assert len(_differs(name, bracket)) == 1


def test_an_undescribed_parameter_is_found():
    def force_n(gap_mm, size=0.1):
        """Say something.

        Parameters
        ----------
        gap_mm : float
            The gap, in the wrong unit. [s]

        Returns
        -------
        float
            Force. [N]
        """
        return gap_mm * size

    found = complaints(force_n)
    assert "size: not described" in found
    assert any(f.startswith("gap_mm: suffix says") for f in found)
    assert "no example" in found
