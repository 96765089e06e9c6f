"""Whether what a verb prints with `--json` has the keys that docs/keys.md lists, and no others."""

import re

from docs_script import DOCS


def table_of(page, heading):
    """Rows of the table under a heading: key to unit."""
    text = (DOCS / page).read_text(encoding="utf-8").split(f"## {heading}\n", 1)[1].split("\n## ")[0]
    return {m[1]: m[2].strip() for m in re.finditer(r"^\| `([^`]+)` \| ([^|]*) \|", text, re.M)}


def _leaves(value, key=""):
    """Keys of nested plain data with what stands there; a list of tables has the keys of all of them."""
    if isinstance(value, dict) and value:
        for name, inner in value.items():
            yield from _leaves(inner, f"{key}.{name}" if key else name)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for inner in value:
            yield from _leaves(inner, key)
    else:
        yield key, value


def differences(data, *verbs):
    """Keys that are printed and not listed, and those that are listed and not printed.

    Below a key that is empty here (no soft feature, no remedy) nothing can be printed; below one that is listed itself
    (a chance by mechanism) the keys are names.
    """
    listed = {key for verb in verbs for key in table_of("keys.md", f"{verb} --json")}
    said, empty = set(), set()
    for key, value in _leaves(data):
        parts = key.split(".")
        whole = [".".join(parts[: i + 1]) for i in range(len(parts))]
        known = next((k for k in whole if k in listed), None)
        if known is None and value in (None, [], {}) and any(k.startswith(f"{key}.") for k in listed):
            empty.add(f"{key}.")
        else:
            said.add(known or key)
    return said - listed, {k for k in listed - said if not k.startswith(tuple(empty))}
