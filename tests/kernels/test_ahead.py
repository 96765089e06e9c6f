"""What is compiled ahead is what a check and a mending ask for; who compiles does so alone, and once."""

import subprocess
import sys

from pliant import ahead

_LOOK = """
import sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
asked, enter = {}, Dispatcher._compile_for_args
def entered(self, *args, **more):
    name = f"{self.py_func.__module__}.{self.py_func.__name__}"
    try:
        return enter(self, *args, **more)
    finally:
        asked[name] = set(self.signatures)
Dispatcher._compile_for_args = entered
from pliant.workflows.mend import mend
from pliant.workflows.workshop import feet_program, strain_relief_program
from pliant.records.starters import starter
folder = Path(sys.argv[1])
(folder / "m.toml").write_text(starter("machine", "open-gap"))
(folder / "f.toml").write_text(starter("filament", "95A"))
arc = "G28\\nG1 Z0.2 F600\\nM83\\nM109 S220\\nG1 X10 F1200\\nG2 X60 Y0 I25 J0 E1.7\\nG0 X0 Y9\\nG1 X60 E1.7\\n"
for name, text in (("feet", feet_program(layers=2)), ("relief", strain_relief_program(layers=2)), ("arc", arc)):
    (folder / name).write_text(text)
    mend(folder / name, folder / "m.toml", folder / "f.toml")
from pliant.kernels.ahead import KERNELS
known = {}
for kernel, signature in KERNELS:
    known.setdefault(f"{kernel.py_func.__module__}.{kernel.py_func.__name__}", set()).add(tuple(signature))
for name, signatures in sorted(asked.items()):
    for signature in signatures - known.get(name, set()):
        print(name, signature)
print(len(asked))
"""


def test_limit_the_table_is_what_a_check_and_a_mending_ask_for(tmp_path):
    run = subprocess.run([sys.executable, "-c", _LOOK, str(tmp_path)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    *missing, count = run.stdout.splitlines()
    assert missing == [] and int(count) > 25


def test_limit_nothing_is_begun_where_all_is_there(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    begun = []
    monkeypatch.setattr(ahead, "_compile", lambda tell: begun.append(1))
    ahead.compile_ahead()
    assert begun == [1]
    ahead._stamp().touch()
    ahead.compile_ahead()
    assert begun == [1]
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")
    ahead._stamp().unlink()
    ahead.compile_ahead()
    assert begun == [1]


def test_limit_a_folder_that_cannot_be_written_to_is_no_error(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "file" / "deeper"))
    ahead.compile_ahead()


def test_limit_what_fails_leaves_no_stamp_and_old_code_goes(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr(ahead.sys, "executable", "/bin/false")
    mine, other = tmp_path / "kernels_1" / "old.nbi", tmp_path / "other" / "theirs.nbi"
    for path in (mine, other):
        path.parent.mkdir()
        path.touch()
    said = []
    ahead.compile_ahead(lambda what, share: said.append((what, share)))
    assert not ahead.compiled() and not mine.exists() and other.exists()
    assert all(what == "compiling, once" and 0 <= share < 1 for what, share in said)


def test_limit_two_at_once_take_turns(tmp_path):
    """The second waits for the first, and finds nothing left to do."""
    code = (
        "import sys, time; from pliant import ahead\n"
        "def compile_(tell):\n"
        "    print('begun', flush=True); time.sleep(0.5); ahead._stamp().touch()\n"
        "ahead._compile = compile_; ahead.compile_ahead()"
    )
    env = {**__import__("os").environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    both = [subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, env=env) for _ in range(2)]
    assert sorted(p.communicate()[0] for p in both) == [b"", b"begun\n"]
