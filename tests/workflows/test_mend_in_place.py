"""In place: old or new whole, whatever happens; rights and links kept; full disks and closed folders."""

import json
import os
import random
import signal
import stat
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from mend_workshop import PROGRAMS, filament, machine
from pliant.errors import PliantError
from pliant.files import replace_file
from pliant.workflows.mend import mend

_CLI = [sys.executable, "-c", "from pliant.cli import main; main()"]


@pytest.fixture
def job(tmp_path):
    """A program and its records on disk; the arguments that mend it in place."""
    from pliant.workflows.workshop import RECORDS

    program = tmp_path / "in.gcode"
    program.write_text(PROGRAMS["strain-relief"]())
    for name in ("bench-2.machine.toml", "95A.filament.toml"):
        (tmp_path / name).write_text(RECORDS[name])
    records = ["-m", tmp_path / "bench-2.machine.toml", "-f", tmp_path / "95A.filament.toml"]
    return program, ["mend", program, *records]


def _run(arguments, **more):
    return subprocess.run(
        [*_CLI, *map(str, arguments)], capture_output=True, text=True, check=False, timeout=300, **more
    )  # fmt: skip


def test_a_writer_killed_at_any_moment_leaves_the_old_or_the_new_file_whole(tmp_path):
    """The writer alone, 200 times: only what replaces the file could do harm; the study kills whole mends."""
    rng = random.Random()
    program, new, other = (tmp_path / name for name in ("in.gcode", "a", "b"))
    texts = [b"old\n" * 30_000, b"new!\n" * 30_000]
    new.write_bytes(texts[0])
    other.write_bytes(texts[1])
    program.write_bytes(texts[0])
    program.chmod(0o640)
    seen = set()
    for _ in range(200):
        child = os.fork()
        if child == 0:
            try:
                while True:  # whatever the machine's speed, the kill finds it at work
                    replace_file(other, program, like=program)
                    replace_file(new, program, like=program)
            finally:
                os._exit(1)
        time.sleep(rng.uniform(0.001, 0.008))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        now = program.read_bytes()
        assert now in texts, f"{len(now)} bytes that are neither the old nor the new file"
        assert program.stat().st_mode & 0o777 == 0o640
        seen.add(now)
    assert len(seen) == 2, "the writer was killed before it wrote anything: proves nothing"
    mended = texts[1] if program.read_bytes() == texts[0] else texts[0]
    replace_file(other if mended == texts[1] else new, program, like=program)  # what was left beside is in nobody's way
    assert program.read_bytes() == mended


@pytest.mark.study
def test_killed_at_any_moment_the_old_or_the_new_file_is_whole(tmp_path):
    seed = random.SystemRandom().randrange(10**6)
    script = Path(__file__).with_name("killed_mend.py")
    done = subprocess.run(
        [sys.executable, script, tmp_path, "50", str(seed)], capture_output=True, text=True, check=False, timeout=600
    )  # fmt: skip
    assert done.returncode == 0, f"seed {seed}: {done.stderr[-2000:]}"
    seen = json.loads(done.stdout)
    assert seen["old"] + seen["new"] == 50 and seen["old"] > 0


@contextmanager
def _small_disk(place, room, read_only=False):
    """A disk of so many bytes at a place, or None where this user cannot have one."""
    place.mkdir()
    made = os.geteuid() == 0 and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={room}", "tmpfs", place], capture_output=True, check=False
    ).returncode == 0  # fmt: skip
    try:
        yield place if made else None
    finally:
        if made:
            subprocess.run(["umount", place], check=True)


def test_disk_full_leaves_the_input_and_says_so(tmp_path, job):
    program, arguments = job
    text = program.read_bytes()
    with _small_disk(tmp_path / "small", len(text) + 40_000) as disk:
        if disk is None:  # a limit on the size of written files fails in the same place

            def limit():
                import resource
                import signal

                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

            done = _run([*arguments, "--in-place"], preexec_fn=limit)
            here = program
        else:
            here = disk / "in.gcode"
            here.write_bytes(text)
            (disk / "rest").write_bytes(b"x" * 20_000)
            done = _run(["mend", here, *arguments[2:], "--in-place"])
        assert done.returncode == 2, done.stderr
        assert "the input is untouched" in done.stderr and len(done.stderr.splitlines()) == 1
        assert here.read_bytes() == text
        assert [p.name for p in here.parent.glob(".in*")] == []


def test_no_room_for_the_work_itself(tmp_path, job):
    program, arguments = job
    text = program.read_bytes()
    with _small_disk(tmp_path / "small", 40_960) as disk:
        if disk is None:
            pytest.fail("run as root, or allow mounting: this test needs a disk of its own")
        done = _run([*arguments, "--in-place"], env=os.environ | {"TMPDIR": str(disk)})
    assert done.returncode == 2
    assert "set TMPDIR" in done.stderr and program.read_bytes() == text


def test_a_folder_that_can_only_be_read(tmp_path, job):
    program, arguments = job
    text = program.read_bytes()
    with _small_disk(tmp_path / "closed", 1 << 20) as disk:
        here = (disk or tmp_path / "closed") / "in.gcode"
        here.write_bytes(text)
        if disk is not None:
            subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        elif os.geteuid() == 0:
            pytest.fail("root writes into any folder: allow mounting, or run as another user")
        else:
            here.parent.chmod(0o555)
        try:
            done = _run(["mend", here, *arguments[2:], "--in-place"])
            names = [p.name for p in here.parent.iterdir()]
            kept = here.read_bytes()
        finally:
            if disk is None:
                here.parent.chmod(0o755)
    assert done.returncode == 2, done.stderr
    assert "cannot be written (its folder can only be read)" in done.stderr and len(done.stderr.splitlines()) == 1
    assert kept == text and names == ["in.gcode"]


def test_rights_are_kept(tmp_path, job):
    program, _ = job
    program.chmod(0o604)
    mend(program, machine(), filament(), in_place=True)
    assert stat.S_IMODE(program.stat().st_mode) == 0o604
    out = tmp_path / "out.gcode"
    for rights in (0o604, 0o640):
        if out.exists():
            out.chmod(rights)
        mend(program, machine(), filament(), output=out)
        assert stat.S_IMODE(out.stat().st_mode) == rights


@pytest.mark.parametrize("in_place", [True, False])
def test_a_link_stays_a_link(tmp_path, job, in_place):
    program, _ = job
    text = program.read_bytes()
    (tmp_path / "elsewhere").mkdir()
    target, link = tmp_path / "elsewhere" / "real.gcode", tmp_path / "link.gcode"
    target.write_bytes(text if in_place else b"older\n")
    link.symlink_to(target)
    mended = (
        mend(link, machine(), filament(), in_place=True) if in_place
        else mend(program, machine(), filament(), output=link)
    )  # fmt: skip
    assert link.is_symlink() and link.resolve() == target
    assert target.read_bytes() not in (text, b"older\n")
    assert mended.output == str(target)
    assert sorted(p.name for p in target.parent.iterdir()) == ["real.gcode"]


def test_output_is_never_the_input_by_another_name(tmp_path, job):
    program, _ = job
    other = tmp_path / "other.gcode"
    other.hardlink_to(program)
    link = tmp_path / "link.gcode"
    link.symlink_to(program)
    for name in (program, other, link):
        with pytest.raises(PliantError, match="is the input; `in_place`"):
            mend(program, machine(), filament(), output=name)


def test_places_that_cannot_take_a_file(tmp_path, job):
    program, _ = job
    with pytest.raises(PliantError, match="is not an ordinary file"):
        mend(program, machine(), filament(), output=tmp_path)
    with pytest.raises(PliantError, match="no such folder"):
        mend(program, machine(), filament(), output=tmp_path / "none" / "out.gcode")


def test_a_very_long_name(tmp_path):
    new, goal = tmp_path / "new", tmp_path / ("x" * 250)
    new.write_bytes(b"new")
    replace_file(new, goal, like=new)
    assert goal.read_bytes() == b"new"
