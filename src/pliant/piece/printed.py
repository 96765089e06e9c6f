"""The law of hardness against every published printed piece that gives both hardness and modulus."""

import csv
import math
from functools import cache
from importlib.resources import files

import numpy as np

from pliant.models.stiffness import modulus_from_hardness_mpa
from pliant.records.feel import Compared, PrintedCheck

__all__ = ["printed_check", "printed_softness"]


@cache
def printed_check() -> PrintedCheck:
    """Compare the modulus said for a hardness with every published printed row that gives both."""
    table = (files("pliant") / "data" / "printed_tpu.csv").read_text(encoding="utf-8")
    rows, source, found = list(csv.DictReader(table.splitlines())), "", []
    for row in rows:
        source = source if row["source"] == "same" else row["source"]
        if row["property"] not in ("elastic_modulus", "max_elastic_modulus") or not row["shore"].endswith("A"):
            continue
        shore, measured = float(row["shore"][:-1]), float(row["value"])
        said = float(modulus_from_hardness_mpa(shore))
        found.append(Compared(row["material"], shore, row["condition"], measured, said, said / measured, source))
    logs = [math.log(c.ratio) for c in found]
    by_source = [
        float(np.mean([math.log(c.ratio) for c in found if c.source == s]))
        for s in dict.fromkeys(c.source for c in found)
    ]
    return PrintedCheck(
        rows=tuple(found),
        table_rows=len(rows),
        sources=len(by_source),
        ratio_by_row=math.exp(float(np.mean(logs))),
        scatter_by_row=math.exp(float(np.std(logs, ddof=1))),
        ratio_by_source=math.exp(float(np.mean(by_source))),
        scatter_by_source=math.exp(float(np.std(by_source, ddof=1))),
        miss=math.exp(math.sqrt(float(np.mean(np.square(by_source))))),
    )


def printed_softness() -> tuple[float, float]:
    """How many times softer extruded pieces are than the law of hardness says, and the scatter of that, by source."""
    extruded = [c for c in printed_check().rows if not c.material.startswith("laser")]
    sources = dict.fromkeys(c.source for c in extruded)
    by_source = [float(np.mean([math.log(c.ratio) for c in extruded if c.source == s])) for s in sources]
    return math.exp(float(np.mean(by_source))), math.exp(float(np.std(by_source, ddof=1)))
