"""Every test of the book runs on a file and on a real PostgreSQL server, started here and stopped by its own tool."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from pliant.book.open_book import open_book
from pliant.records.starters import starter

HOW = (
    "these tests need PostgreSQL: run `apt-get install postgresql` as root (they do it by themselves when run as root)"
)


def pytest_configure(config):
    config.addinivalue_line("markers", "postgres: runs on a real PostgreSQL server")


def _tools():
    def found():
        places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
        return places[-1].parent if places else Path(p).resolve().parent if (p := shutil.which("initdb")) else None

    if found() is None and os.geteuid() == 0 and shutil.which("apt-get"):
        subprocess.run(["apt-get", "-qq", "update"], check=False, capture_output=True)
        quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
        subprocess.run(["apt-get", "-qq", "-y", "install", "postgresql"], check=False, capture_output=True, env=quiet)
    return found()


@pytest.fixture(scope="session")
def server():
    """Address of a private cluster on a unix socket, with room for `{}` as the name of a database."""
    tools = _tools()
    if tools is None:
        pytest.fail(HOW)
    try:
        import psycopg
    except ImportError:
        pytest.fail('these tests need a driver: pip install "pliant[postgres]"')
    folder = Path(tempfile.mkdtemp(prefix="pg-"))  # short, since the name of a socket is limited to 107 bytes
    user = "postgres" if os.geteuid() == 0 else None
    if user:
        shutil.chown(folder, user)
    log = folder / "log"

    def run(*words):
        done = subprocess.run(
            [str(w) for w in words], capture_output=True, text=True, user=user, cwd=folder, check=False
        )
        assert done.returncode == 0, done.stderr + (log.read_text() if log.exists() else "")

    data = folder / "data"
    run(tools / "initdb", "-D", data, "-A", "trust", "-U", "pliant", "-E", "UTF8", "--no-sync")
    options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off -c max_connections=40"
    run(tools / "pg_ctl", "-D", data, "-l", log, "-w", "-o", options, "start")
    try:
        with psycopg.connect(f"host={folder} user=pliant dbname=postgres", autocommit=True) as connection:
            made = iter(range(10**6))

            def fresh():
                name = f"book{next(made)}"
                connection.execute(f"CREATE DATABASE {name}")
                return f"postgresql://pliant@/{name}?host={folder}"

            yield fresh
    finally:
        run(tools / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder)


@pytest.fixture(params=["file", pytest.param("server", marks=pytest.mark.postgres)])
def place(request, tmp_path):
    """Where a book may be begun: a file that is not there yet, or an empty database."""
    return str(tmp_path / "book.sqlite") if request.param == "file" else request.getfixturevalue("server")()


@pytest.fixture
def book(place):
    with open_book(place, create=True) as opened:
        yield opened


@pytest.fixture
def files(tmp_path):
    """Invented machine, filament and program."""
    machine, filament, program = tmp_path / "m.toml", tmp_path / "f.toml", tmp_path / "p.gcode"
    machine.write_text(starter("machine", "open-gap"))
    filament.write_text(starter("filament", "85A"))
    program.write_text("G1 X1 Y1 E1 F600\nG1 X2 E2\nG1 X3 E3\n")
    return machine, filament, program
