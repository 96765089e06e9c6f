"""The bench in a real browser: the whole story, by keyboard, on a phone, without a script, and when things go wrong."""

import re
import time
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import expect

from bench_visitor import Visitor
from bench_window import PATIENCE_MS, Visit, chromium, served
from pliant.workflows.workshop import feet_program


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bench")
    (folder / "feet.gcode").write_text(feet_program(layers=3))
    (folder / "evil.gcode").write_text(
        "; <script>alert(1)</script><img src=http://evil.example/x onerror=alert(1)>\n" + feet_program(layers=2)
    )
    with served(folder) as (address, process):
        with httpx.Client(base_url=address, timeout=120) as client:  # no test waits for another to fill the shelf
            answer = Visitor(client).post("/first", {"kind": "open-gap", "hardness": "85A", "program_later": "yes"})
            assert answer.status_code == 201
        yield address, folder, process


@pytest.fixture(scope="module")
def bench(running):
    return running[:2]


@pytest.fixture(scope="module")
def process(running):
    return running[2]


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.fixture
def visit(browser, bench):
    """Open windows; afterwards nothing was asked of anybody else, and nothing was complained of."""
    opened = []

    def start(width=1280, height=900, **more):
        opened.append(Visit(browser, width, height, **more))
        return opened[-1]

    yield start
    for one in opened:
        one.context.close()
        assert [url for url in one.asked if not url.startswith((bench[0] + "/", "data:"))] == []
        assert [text for text in one.said if not any(words in text for words in one.expected)] == []


def _first(page, address, folder, program="feet.gcode", **fields):
    page.goto(address + "/first")
    slip = {"gap_mm": "6", "guide_mm": "25", "nozzle_mm": "0.4", "hardness": "85A", "machine_name": "Bench 2"}
    for name, value in (slip | {"spool_name": "Harbour 85A"} | fields).items():
        page.fill(f"[name={name}]", value)
    page.set_input_files("#program", folder / program)
    page.click("text=Check it")
    page.wait_for_url("**/check/*")
    expect(page.locator(".set.check").first).to_be_visible()


def test_roundtrip_the_first_visit_by_keyboard_alone(bench, visit):
    address, folder = bench
    page = visit().page()
    # asked for long before it opens: the browser takes a moment to hand its dialog over
    page.on("filechooser", lambda chooser: chooser.set_files(folder / "feet.gcode"))
    page.goto(address + "/first")
    expect(page.locator("h1")).to_have_text("Will this soft filament feed?")
    press = page.keyboard.press
    press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "to the page"
    press("Enter")
    assert page.url.endswith("#main")

    def reach(name):
        for _ in range(60):
            press("Tab")
            if page.evaluate("document.activeElement.name || document.activeElement.textContent.trim()") == name:
                ring = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert ring != "none" or name in ("kind", "outcome"), name
                return
        raise AssertionError(f"{name} is not reached with Tab")

    reach("kind")
    press("ArrowDown")
    press("ArrowDown")
    assert page.locator("[name=kind]:checked").input_value() == "tube-2.0"
    expect(page.locator(".where-to.for-tube-2-0")).to_be_visible()
    expect(page.locator(".where-to.for-open-gap")).to_be_hidden()
    for name, value in (("gap_mm", "3"), ("guide_mm", "420"), ("nozzle_mm", "0.4"), ("machine_name", "Long Tube")):
        reach(name)
        page.keyboard.type(value)
    reach("hardness")
    page.keyboard.type("95A")
    reach("program")
    press("Enter")
    expect(page.locator(".picked")).to_contain_text("feet.gcode")
    reach("Check it")
    press("Enter")
    page.wait_for_url("**/check/*")
    expect(page.locator("h1")).to_contain_text("This job")
    expect(page.locator(".ticket dd").first).to_have_text("feet.gcode")
    assert "Long Tube" in page.locator(".set .ticket").inner_text()
    expect(page.locator(".path")).to_have_count(1)
    expect(page.locator("#plot.live")).to_have_count(1)
    reach("Printed it? Say how it went")
    press("Enter")
    page.wait_for_url("**/book?*")
    expect(page.locator("[name=machine] option:checked")).to_have_text("Long Tube")
    reach("outcome")
    press("ArrowDown")
    assert page.locator("[name=outcome]:checked").input_value() == "jammed"
    reach("at_minutes")
    page.keyboard.type("4")
    reach("note")
    page.keyboard.type("it bowed out above the inlet")
    reach("Write it down")
    press("Enter")
    page.wait_for_url("**/book/record/*")
    expect(page.locator("h1")).to_contain_text("A print: jammed")


def test_markup_in_a_program_stays_text(bench, visit):
    address, folder = bench
    page = visit().page()
    _first(page, address, folder, "evil.gcode", machine_name="<img src=x onerror=alert(1)>", spool_name="<i>Soft</i>")
    assert page.locator(".set .ticket dd").all_inner_texts()[1:] == ["<img src=x onerror=alert(1)>", "<i>Soft</i>"]
    assert page.locator("main img").count() == 0
    for path in ("/book", "/check"):
        page.goto(address + path)
        assert page.locator("main img").count() == 0


def test_it_works_without_a_script(bench, visit):
    address, folder = bench
    page = visit(java_script_enabled=False).page()
    _first(page, address, folder)
    assert page.locator("text=What to do next").count() >= 1
    assert page.locator(".sheet svg").count() >= 1
    page.goto(address + "/check")
    page.set_input_files("#program", folder / "feet.gcode")
    page.click("text=Check it")
    page.wait_for_url("**/check/*")
    expect(page.locator(".set.check").first).to_be_visible()  # the page of the work looked again by itself
    page.click("text=Mend this program")
    expect(page.locator("text=The certificate")).to_be_visible()
    with page.expect_download() as download:
        page.click("text=Download feet-mended.gcode")
    assert download.value.suggested_filename == "feet-mended.gcode"
    page.goto(address + "/book")
    page.check("[value=ok]")
    page.click("text=Write it down")
    expect(page.locator("h1")).to_contain_text("A print: ok")


def test_back_returns_to_the_slip_as_it_was(bench, visit):
    address, folder = bench
    page = visit().page()
    page.goto(address + "/check")
    page.set_input_files("#program", folder / "feet.gcode")
    page.click("text=Check it")
    page.wait_for_url("**/check/*")
    expect(page.locator(".set.check").first).to_be_visible()
    found = page.url
    page.go_back()
    page.wait_for_url("**/check")
    expect(page.locator("button.main")).to_be_enabled()
    page.go_forward()
    page.wait_for_url(found)
    expect(page.locator(".set.check").first).to_be_visible()


def test_two_tabs_do_not_mix(bench, visit):
    address, folder = bench
    window = visit()
    one, two = window.page(), window.page()
    one.goto(address + "/first")
    two.goto(address + "/first")
    for page, name, gap in ((one, "Tab One", "2"), (two, "Tab Two", "12")):
        for field, value in (("gap_mm", gap), ("hardness", "85A"), ("machine_name", name), ("spool_name", name)):
            page.fill(f"[name={field}]", value)
        page.set_input_files("#program", folder / "feet.gcode")
    one.click("text=Check it")
    two.click("text=Check it")
    for page, name in ((one, "Tab One"), (two, "Tab Two")):
        page.wait_for_url("**/check/*")
        expect(page.locator(".set.check").first).to_be_visible()
        assert page.locator(".set .ticket dd").all_inner_texts()[1:] == [name, name]
    gap = [page.locator(".path").text_content() for page in (one, two)]
    assert "12 mm" in gap[1] and "12 mm" not in gap[0]


def test_the_handles_move_the_map(bench, visit):
    address, folder = bench
    page = visit().page()
    _first(page, address, folder)
    page.goto(address + "/plan")
    for name, value in (("nozzle_c", "205"), ("layer_height_mm", "0.2"), ("behind_outside", "50")):
        page.fill(f"[name={name}]", value)
    page.click("text=Plan it")
    handle = page.locator("[name=speed_mm_per_s]")
    handle.focus()
    before = page.locator(".map-wide").inner_html()
    for _ in range(30):
        page.keyboard.press("ArrowRight")
    # the answer on the page is that of the handles as they stand, however long it took
    settled = "document.querySelector('.here').dataset.of === new URLSearchParams(new FormData(handles)).toString()"
    settled = f"() => {{ const handles = document.querySelector('.handles'); return {settled}; }}"
    page.wait_for_function(settled)
    expect(page.locator(".here")).to_contain_text("Chance of a jam there")
    assert page.locator(".map-wide").inner_html() != before
    page.keyboard.press("End")
    page.wait_for_function(settled)
    fast = page.locator(".here").inner_text()
    page.keyboard.press("Home")
    page.wait_for_function(settled)
    assert page.locator(".here").inner_text() != fast
    assert page.locator(".map-wide svg").count() == 1


def test_the_job_runs_before_ones_eyes(bench, visit):
    address, folder = bench
    page = visit().page()
    _first(page, address, folder)
    play, readout = page.locator("[data-do=play]"), page.locator(".readout")
    page.locator("#plot").focus()
    page.keyboard.press("Home")
    level = "() => document.querySelector('.vessel .level').getAttribute('height')"
    before = page.evaluate(level)
    play.click()
    expect(play).to_have_text("pause")
    assert readout.get_attribute("aria-live") == "off"
    bead = "() => { const b = document.querySelector('.sheet.on .bead'); return b ? b.getAttribute('d').length : 0; }"
    page.wait_for_function("was => document.querySelector('.vessel .level').getAttribute('height') !== was", arg=before)
    page.wait_for_function(f"() => ({bead})() > 0")
    grown = page.evaluate(bead)
    page.wait_for_function(f"was => ({bead})() > was", arg=grown)
    play.click()
    expect(play).to_have_text("play")
    whole = page.evaluate(bead)
    assert whole >= page.evaluate(bead) > grown
    page.locator("#plot").focus()
    page.keyboard.press("End")
    expect(page.locator(".sheet.on b").first).to_have_text("Layer 3")
    assert "not drawn" not in readout.inner_text()


def test_reduced_motion_goes_from_layer_to_layer(bench, visit):
    address, folder = bench
    page = visit(reduced_motion="reduce").page()
    _first(page, address, folder)
    page.locator("#plot").focus()
    page.keyboard.press("Home")
    first = page.locator(".readout").inner_text()
    page.click("[data-do=play]")
    page.wait_for_function("was => document.querySelector('.readout').innerText !== was", arg=first)
    assert "layer" in page.locator(".readout").inner_text()
    page.click("[data-do=play]")


def _large(path, least_bytes=100_000_000):
    """A program of 100 MB, written piece by piece."""
    head, mark, body = feet_program(layers=16).partition("G92 E0\n")
    with path.open("w") as out:
        out.write(head + mark)
        while out.tell() < least_bytes:
            out.write(body)
    return path


def _throttle(context, page):
    slow = context.new_cdp_session(page)
    slow.send("Network.enable")

    def throttle(bytes_per_s):
        speeds = {"downloadThroughput": -1, "uploadThroughput": bytes_per_s, "latency": 0, "offline": False}
        slow.send("Network.emulateNetworkConditions", speeds)

    return throttle


def _memory_mb(process, key="VmHWM"):
    """The most that a process has held, or holds (VmRSS)."""
    told = Path(f"/proc/{process.pid}/status").read_text()
    return int(re.search(rf"{key}:\s+(\d+) kB", told)[1]) / 1e3


def test_a_large_program_tells_how_far_it_is_and_can_be_stopped(bench, process, visit, tmp_path):
    address, folder = bench
    window = visit()
    window.expected.append("410")  # a stopped job is gone, and its page says so
    page = window.page()
    page.goto(address + "/check")
    throttle = _throttle(window.context, page)
    before_mb = _memory_mb(process)
    throttle(8_000_000)
    page.set_input_files("#program", _large(tmp_path / "large.gcode"))
    page.click("text=Check it")
    expect(page.locator(".sending .doing")).to_contain_text(re.compile(r"sending, .* of 10\d\.\d MB"))
    share = "Number(document.querySelector('.sending progress').value)"
    first = page.evaluate(share)
    page.wait_for_function(f"was => {share} > was + 0.02", arg=first)
    assert page.evaluate(share) < 1
    page.click("text=Stop sending")
    expect(page.locator(".trouble")).to_contain_text("Stopped")
    throttle(-1)
    page.click("text=Check it")
    page.wait_for_url("**/check/*")
    expect(page.locator(".doing")).to_contain_text(re.compile("reading|planning|comparing|following|weighing|drawing"))
    expect(page.locator("progress")).to_be_visible()
    stage = page.locator(".doing").inner_text()
    page.wait_for_function("was => document.querySelector('.doing').textContent !== was", arg=stage)
    at_work = set(_children(process))
    begun = time.monotonic()
    page.click("button:text('Stop')")
    expect(page.locator("h1")).to_have_text("That did not work.")
    expect(page.locator(".fault")).to_contain_text("Stopped")
    while at_work <= set(_children(process)):  # the process that did it has gone, and with it what it held
        assert time.monotonic() - begun < 10
        time.sleep(0.05)
    assert _memory_mb(process) - before_mb < 60  # of 100 MB sent twice
    kept = [p for p in folder.rglob(".part") if p.is_file()]
    assert kept == []


def _children(process):
    return Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split() + [
        child
        for task in Path(f"/proc/{process.pid}/task").iterdir()
        if task.name != str(process.pid)
        for child in (task / "children").read_text().split()
    ]


def test_a_killed_bench_is_told_and_leaves_nothing(browser, tmp_path):
    program = tmp_path / "p.gcode"
    program.write_text(feet_program(layers=16) * 3)
    context = browser.new_context()
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    with served(tmp_path) as (address, process):
        (tmp_path / "feet.gcode").write_text(feet_program(layers=2))
        _first(page, address, tmp_path)
        page.goto(address + "/check")
        throttle = _throttle(context, page)
        throttle(200_000)
        page.set_input_files("#program", program)
        page.click("text=Check it")
        expect(page.locator(".sending .doing")).to_contain_text("sending, ")
        process.kill()
        process.wait(20)
        expect(page.locator(".trouble")).to_contain_text("The bench does not answer")
        assert list(tmp_path.rglob(".part"))
    port = int(address.rsplit(":", 1)[1])
    with served(tmp_path, port) as (again, _):
        assert again == address
        assert list(tmp_path.rglob(".part")) == []
        throttle(-1)
        page.click("text=Check it")  # the old page's token is of the run before
        expect(page.locator(".trouble")).to_contain_text("load it again")
        page.goto(address + "/book")
        expect(page.locator(".entries")).to_contain_text("feet.gcode")
        assert page.locator(".entries tbody tr").count() == 4  # machine, spool, program, finding: whole
    for _ in range(50):
        if not list((tmp_path / "cache").rglob("run-*")):
            break
        time.sleep(0.1)
    assert list((tmp_path / "cache").rglob("run-*")) == []
    context.close()


def test_it_prints_on_paper(bench, visit, tmp_path):
    address, folder = bench
    page = visit().page()
    _first(page, address, folder)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 696, "height": 1000})  # A4 less its margins, at 96 dots an inch
    assert page.evaluate("document.documentElement.scrollWidth") <= 696
    expect(page.locator("nav")).to_be_hidden()
    expect(page.locator(".next")).to_be_hidden()
    expect(page.locator(".path")).to_be_visible()
    pdf = page.pdf(format="A4", print_background=True)
    assert 2 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") <= 6
