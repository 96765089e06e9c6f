"""The bench as a process of its own, and a browser to visit it with."""

import os
import re
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager

import pytest
from playwright.sync_api import expect, sync_playwright

PATIENCE_MS = 120_000  # the first work may have to wait for the compiler
expect.set_options(timeout=PATIENCE_MS)


@contextmanager
def served(folder, port=0):
    """Run the real command; gives the address and the process."""
    command = [sys.executable, "-c", "from pliant.cli import main; main()", "bench", "--no-open", "--port", str(port)]
    command += ["--book", str(folder / "book.sqlite")]
    environment = os.environ | {"XDG_CACHE_HOME": str(folder / "cache")}
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        line = process.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/", line)
        assert found, line
        yield found[0].rstrip("/"), process
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
        process.stderr.close()


@contextmanager
def chromium():
    """A running browser, without a window."""
    found = shutil.which("chromium")
    if found is None:
        pytest.fail("Chromium is missing: install it with `apt-get install chromium` and run the tests again")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield running
        running.close()
