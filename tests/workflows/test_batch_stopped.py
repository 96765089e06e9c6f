"""A batch that is stopped, killed or sent elsewhere: nothing lost, nothing counted twice, the same to the last bit."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from multiprocessing import get_context

import pytest
from click.testing import CliRunner

from pliant.cli import main
from pliant.errors import PliantError
from pliant.records.starters import starter
from pliant.workflows import cluster, folder
from pliant.workflows.batch import batch
from pliant.workflows.workshop import bellows_program


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    place = tmp_path_factory.mktemp("stopped")
    (place / "jobs").mkdir()
    for like, kind in (("open-gap", "machine"), ("85A", "filament"), ("95A", "filament")):
        (place / f"{like}.toml").write_text(starter(kind, like))
    for k in range(3):
        (place / "jobs" / f"{k}.gcode").write_text(bellows_program(turns=1) + f"; {k}\n")
    (place / "jobs" / "3.nc").write_text(bellows_program(turns=2))
    (place / "jobs" / "4.gcode").write_bytes(b"G1 X1..2\n")
    return place


def _words(shop):
    return shop / "jobs", shop / "open-gap.toml", [shop / "85A.toml", shop / "95A.toml"]


@pytest.fixture(scope="module")
def whole(shop):
    return batch(*_words(shop), workers=2)


def test_roundtrip_what_is_kept_is_taken_and_gives_the_same(shop, whole, tmp_path, monkeypatch):
    file = tmp_path / "kept.jsonl"
    assert batch(*_words(shop), resume=file, workers=1) == whole
    lines = file.read_bytes().splitlines(keepends=True)
    assert len(lines) == 5
    file.write_bytes(b"".join(lines[:3]) + lines[3][:40])  # stopped in the middle of a line
    looked = []
    own = folder._in_processes

    def counted(look, left, *more):
        looked.extend(left.values())
        return own(look, left, *more)

    monkeypatch.setattr(folder, "_in_processes", counted)
    assert batch(*_words(shop), resume=file, workers=1) == whole and len(looked) == 2
    assert sorted(file.read_bytes().splitlines()) == sorted(line[:-1] for line in lines)
    assert batch(*_words(shop), resume=file) == whole and len(looked) == 2  # nothing is done twice
    other = tmp_path / "85A.toml"
    other.write_text((shop / "85A.toml").read_text() + "# measured anew\n")
    assert batch(shop / "jobs", shop / "open-gap.toml", other, resume=file, workers=1).combinations
    assert len(looked) == 7  # with another record every program is looked at anew


@pytest.mark.parametrize(
    "text", ["G1 X1\n", "{}\n", '{"program": 1, "combinations": [], "why": ""}\n', "[" * 9999 + "\n"]
)
def test_a_file_that_is_none_of_ours_is_left_alone(shop, tmp_path, text):
    file = tmp_path / "mine.gcode"
    file.write_text(text)
    with pytest.raises(PliantError, match=r"mine.gcode: line 1: is no line of a batch; name another file"):
        batch(*_words(shop), resume=file)
    assert file.read_text() == text


def test_roundtrip_processes_that_are_killed_change_nothing(shop, whole, monkeypatch):
    shot = []

    class Shot(folder.ProcessPoolExecutor):
        """The processes of the first two pools are killed in mid-work."""

        def submit(self, *words):
            future = super().submit(*words)
            if len(shot) < 2 and self not in shot:
                shot.append(self)
                for process in list(self._processes.values()):
                    os.kill(process.pid, signal.SIGKILL)
            return future

    monkeypatch.setattr(folder, "ProcessPoolExecutor", Shot)
    assert batch(*_words(shop), workers=2) == whole and len(shot) == 2


def test_regression_a_process_that_starts_while_another_dies_does_not_stay(shop, whole, monkeypatch):
    """The pool itself waited for it without end, when the program was to end."""
    late = []

    class Late(folder.ProcessPoolExecutor):
        def submit(self, *words):
            future = super().submit(*words)
            if not late:
                for process in list(self._processes.values()):
                    process.kill()
                future.exception()  # now the pool knows, and ends those it has
                time.sleep(0.2)
                process = get_context("spawn").Process(target=time.sleep, args=(600,))
                process.start()
                self._processes[process.pid] = process
                late.append(process)
            return future

    monkeypatch.setattr(folder, "ProcessPoolExecutor", Late)
    assert batch(*_words(shop), workers=2) == whole
    (process,) = late
    process.join(10)
    assert process.exitcode is not None


def _dies(path):
    os._exit(9)


def test_limit_a_program_that_kills_every_process_is_told(shop):
    with pytest.raises(PliantError, match=r"the processes that check programs die, now with 1 to go, a.gcode"):
        folder.side_by_side(_dies, [str(shop / "a.gcode")], workers=1)


@pytest.fixture(scope="module")
def engine():
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as found:
        yield found


def test_roundtrip_a_cluster_finds_the_same_though_a_computer_dies(shop, whole, engine):
    address = engine.scheduler_address.removeprefix("tcp://")
    assert batch(*_words(shop), on=address) == whole
    doomed = next(iter(engine.workers.values())).process.process.pid
    shooter = threading.Timer(0.5, os.kill, (doomed, signal.SIGKILL))
    shooter.start()
    try:
        assert batch(*_words(shop), on=address) == whole
    finally:
        shooter.cancel()


def test_limit_another_version_there_is_an_ordinary_refusal(shop, engine, monkeypatch):
    own = cluster.versions()
    monkeypatch.setattr(cluster, "versions", lambda: own | {"numpy": "0.1"})
    address = engine.scheduler_address.removeprefix("tcp://")
    with pytest.raises(PliantError, match=r"has numpy .* for 0.1; install the same versions"):
        batch(*_words(shop), on=address)


@pytest.mark.parametrize(
    ("on", "said"),
    [("127.0.0.1:9", "no cluster answers"), ("here", "write HOST:PORT"), ("127.0.0.1:x", "write HOST:PORT")],
)
def test_a_cluster_that_is_not_there_is_one_line(shop, on, said, monkeypatch):
    monkeypatch.setattr(cluster, "_WAIT_S", 1.0)
    words = ("batch", shop / "jobs", "-m", shop / "open-gap.toml", "-f", shop / "85A.toml", "--on", on)
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 2 and said in done.stderr and done.stderr.count("\n") == 1


def test_stopped_by_hand_what_is_done_stands_in_the_file(shop, whole, tmp_path, monkeypatch):
    file = tmp_path / "kept.jsonl"
    words = ["batch", str(shop / "jobs"), "-m", str(shop / "open-gap.toml"), "--resume", str(file), "--json"]
    words += [word for like in ("85A", "95A") for word in ("-f", str(shop / f"{like}.toml"))]
    run = [sys.executable, "-c", "from pliant.cli import main\nif __name__ == '__main__':\n    main()", *words]
    running = subprocess.Popen(run, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True)
    while running.poll() is None and not (file.exists() and file.stat().st_size):
        time.sleep(0.02)
    os.killpg(running.pid, signal.SIGINT)
    _, said = running.communicate()
    assert b"Traceback" not in said and b"stopped" in said
    assert file.read_bytes().count(b"\n") >= 1
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 2  # one of the programs cannot be read
    assert json.loads(done.stdout) == json.loads(json.dumps(whole.to_json()))
