"""Every kernel as plain Python: the same jobs give the same answers with the compiler switched off."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parents[1]
# what only odd words of a program reach: they have their own tests in tests/program and tests/language
_READING = {"ahead", "commands", "machine", "moves", "pair", "scan", "words", "thin"}


def _numbers(value):
    if isinstance(value, dict):
        return [n for v in value.values() for n in _numbers(v)]
    if isinstance(value, list):
        return [n for v in value for n in _numbers(v)]
    return [float(value)] if isinstance(value, (int, float)) else []


@pytest.mark.study
def test_limit_compiled_and_plain_kernels_agree(tmp_path):
    told = []
    for name, off in (("compiled", {}), ("plain", {"NUMBA_DISABLE_JIT": "1"})):
        folder = tmp_path / name
        folder.mkdir()
        done = subprocess.run(
            [sys.executable, HERE / "plain_kernels.py", folder],
            env=os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")])} | off,
            capture_output=True,
            text=True,
            check=True,
        )
        told.append((json.loads(done.stdout), json.loads(done.stderr.splitlines()[-1])))
    (compiled, _), (plain, never) = told
    assert [v for v in compiled if isinstance(v, str)] == [v for v in plain if isinstance(v, str)]  # mended programs
    np.testing.assert_allclose(_numbers(plain), _numbers(compiled), rtol=1e-6, atol=1e-9)
    never = [name for name in never if name not in ("rest._grown", "lay._west_of")]  # a full array, a tie
    assert {name.split(".")[0] for name in never} <= _READING, never
