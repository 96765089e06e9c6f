"""A stop-start piece read from pictures that were drawn by other rules, with known truth; and what is refused."""

import itertools
import re
import struct
import sys
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from pliant.cli import main
from pliant.coupons.readings import readings_from, readings_text
from pliant.coupons.stop_start import rows_of
from pliant.errors import PliantError
from pliant.files import Text
from pliant.photo import marks
from pliant.photo.lengths import falling
from pliant.photo.picture import read_picture, size_of
from pliant.photo.piece import read_piece
from pliant.photo.square import fitted, square_up
from pliant.records.starters import starter
from pliant.report.frame import frame_of
from pliant.workflows.coupon import make_coupon
from pliant.workflows.photo import filled, read_with_photo
from recipes import filament, machine
from rendered import Scene, render, taper_width

cv2 = pytest.importorskip("cv2")
TRUTH = [(9.0, 7.5), (14.0, 11.0), (21.0, 15.0)]  # [mm] tail and thin start of every row
HARD = Scene()  # tilted, turned, bent, noisy; translucent, lit from the side, its shadow beside it
OTHER = Scene(
    bead=0.05, clear=0.2, ground=0.7, laid_deg=178.0, printed=0.97, tilt=(-6, 9), turn=-11, bend=-0.04, seed=3
)


@pytest.fixture(scope="module")
def coupon():
    return make_coupon("stop-start", machine("open-gap"), filament("85A"))


@pytest.fixture(scope="module")
def sheet(coupon):
    """The empty sheet as its file says it; paths and marks come from it alone."""
    return tomllib.loads(readings_text(coupon))


@pytest.fixture(scope="module")
def piece(coupon):
    return rows_of(coupon.steps), marks.piece_code(coupon.steps)


@pytest.fixture(scope="module")
def picture(piece):
    return render(*piece, TRUTH, HARD)


def _file(picture, name="piece.jpg", quality=90):
    return Text(name, cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes())


def test_published_the_marks_are_those_of_the_dictionary():
    """S. Garrido-Jurado et al., Pattern Recognition 47 (2014) 2280-2292, as OpenCV carries it: DICT_4X4_50."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for number in range(50):
        drawn = cv2.aruco.generateImageMarker(dictionary, number, 6, borderBits=1)
        assert np.array_equal(drawn[1:5, 1:5] > 127, marks.mark_bits(number)), number


def test_the_path_from_the_sheet_is_the_path_that_was_laid(coupon, piece):
    laid = np.array(coupon.marks_mm)
    ours = np.array([row.at(np.array([row.stop_mm, row.start_mm])) for row in piece[0]]).reshape(-1, 2)
    assert np.ptp(laid - ours, axis=0) == pytest.approx(0, abs=2e-3)  # but for where the bed's middle is


def _held(read, rows, most_share, most_width_mm):
    """Lengths within their own spread and a share; widths at the full bead and down the tail; told as printed."""
    off = []
    for row, truth, tail, lead, w in zip(rows, TRUTH, read.tails, read.leads, read.widths, strict=True):
        for length, true in ((tail, truth[0]), (lead, truth[1])):
            off.append((length.mm - true) / length.spread_mm)
            print(f"read {length.mm:.1f} ± {length.spread_mm:.1f}, true {true:.1f} mm, {off[-1]:+.1f} spreads")
            assert abs(length.mm - true) < most_share * true
        miss = w.width_mm - taper_width(row, *truth, w.along_mm)
        there = taper_width(row, *truth, w.along_mm) > 0.2
        print(f"width off by {miss[there].mean():+.3f} mm, scatter {miss[there].std():.3f} mm")
        assert np.sqrt(np.mean(miss[there] ** 2)) < most_width_mm
    assert 0.2 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_limit_a_translucent_bead_in_a_tilted_bent_noisy_picture_with_side_light(piece, picture):
    read = read_piece(_file(picture), *piece)
    assert read.squared.bend == pytest.approx(HARD.bend, abs=0.004)
    assert read.laid.stretch == pytest.approx(1, abs=0.002)
    assert np.degrees(np.arctan2(read.laid.b, read.laid.a)) == pytest.approx(HARD.laid_deg, abs=0.1)
    _held(read, piece[0], 0.2, 0.06)
    assert any("row 3: tail" in line for line in read.words)


def test_limit_a_dark_piece_upside_down_in_a_frame_that_was_printed_too_small(piece):
    read = read_piece(_file(render(*piece, TRUTH, OTHER)), *piece)
    assert 1 / read.laid.stretch == pytest.approx(0.97, abs=0.003)
    assert any("97" in line and "allowed for" in line for line in read.words)
    _held(read, piece[0], 0.2, 0.06)


def test_roundtrip_a_known_lens_and_plane():
    """Corners thrown by a homography and a bend of our own come back to a thousandth of a pixel."""
    rng = np.random.default_rng(5)
    sheet = rng.uniform(-70, 70, (32, 2))
    plane = np.array([[0.011, 0.001, 0.05], [-0.0008, 0.0105, -0.02], [2e-4, -3e-4, 1.0]])
    q = np.column_stack([sheet, np.ones(32)]) @ plane.T
    q = q[:, :2] / q[:, 2:]
    seen = np.array([2000, 1500]) + 2500 * q * (1 - 0.06 * np.sum(q**2, axis=1, keepdims=True))
    way = fitted(sheet, seen, (4000, 3000), cv2)
    assert way.bend == pytest.approx(-0.06, abs=1e-5)
    assert np.abs(way(sheet) - seen).max() < 1e-3


def test_limit_the_cheapest_falling_course_is_the_cheapest_of_all():
    rng = np.random.default_rng(2)
    for _ in range(20):
        cost = rng.random((5, 4))
        courses = [c for c in itertools.product(range(4), repeat=5) if all(a >= b for a, b in itertools.pairwise(c))]
        best = min(courses, key=lambda c: sum(cost[i, k] for i, k in enumerate(c)))
        assert tuple(falling(cost).tolist()) == best


def test_roundtrip_a_sheet_filled_in_from_a_picture(sheet, picture, tmp_path):
    data, said = filled(sheet, _file(picture), "ss.readings.toml")
    found = readings_from(data, "ss.readings.toml")
    assert all(r.tail_spread_mm and r.lead_spread_mm for r in found.results) and len(said) >= 4
    again = {**data, "step": [{**s, "tail_mm": s["tail_mm"] + 0.1} for s in data["step"]]}
    assert readings_from(again).mark == found.mark, "another picture of one print is the same print"
    assert readings_from({**again, "notes": "printed again"}).mark != found.mark
    with pytest.raises(PliantError, match="filled in by hand already"):
        filled(data, _file(picture), "ss.readings.toml")


def _painted(picture, where, colour, size):
    out = picture.copy()
    cv2.circle(out, where, size, colour, -1)
    return out


_BURNT = (255, 255, 255)
REFUSED = {
    "blurred": (lambda p: cv2.GaussianBlur(p, None, 3.0), "blurred.*tap on the piece to focus"),
    "burnt": (lambda p: _painted(p, (2000, 1500), _BURNT, 420), "the opening is burnt out.*no flash"),
    "shine": (lambda p: _painted(p, (2000, 1460), _BURNT, 110), r"row \d is burnt out.*no flash"),
    "covered": (lambda p: _painted(p, (3150, 680), (90, 90, 90), 250), "mark not found: top right; all eight"),
    "empty": (lambda p: _painted(p, (2000, 1550), (100, 110, 105), 600), "not to be seen in the frame.*from the side"),
    "no frame": (lambda p: np.full((1300, 1300, 3), 120, np.uint8), "no marks found; lay the frame"),
    "far": (lambda p: np.pad(p[::2, ::2], ((300, 300), (400, 400), (0, 0))), "pixels a millimetre.*go nearer"),
    "chat": (lambda p: p[::4, ::4], "too few to measure on.*as the camera took it"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_a_picture_that_is_not_fit_to_be_read_is_refused_with_what_to_do(what, piece, picture):
    spoilt, words = REFUSED[what]
    with pytest.raises(PliantError, match=words) as refused:
        read_piece(_file(spoilt(picture)), *piece)
    assert "\n" not in str(refused.value) and str(refused.value).startswith("piece.jpg: ")


def test_a_tail_that_is_covered_is_not_read_and_the_others_are(piece, picture):
    """A grey strip over the tail of the first row: it ends all at once there, which no store does."""
    row, whole = piece[0][0], read_piece(_file(picture), *piece)
    way = square_up(picture, piece[1], "p", 0.46).way
    x, y = way(whole.laid(row.at(np.array([row.stop_mm + 5.0]))))[0]
    covered = picture.copy()
    covered[int(y) - 25 : int(y) + 25, int(x) - 500 : int(x)] = picture[int(y) - 30, int(x)]
    read = read_piece(_file(covered), *piece)
    assert read.tails[0].mm is None and "all at once" in read.tails[0].why and "not read" in read.words[1]
    assert all(x.mm is not None for x in read.tails[1:])


def test_the_frame_of_another_piece_or_of_another_form_is_refused(coupon, piece, picture, monkeypatch):
    rows, _ = piece
    other = marks.piece_code([replace(s, flow_mm3_per_s=s.flow_mm3_per_s + 0.1) for s in coupon.steps])
    with pytest.raises(PliantError, match="belongs to another piece"):
        read_piece(_file(picture), rows, other)
    monkeypatch.setattr("pliant.photo.square.FORM", (6, 7))
    with pytest.raises(PliantError, match="frame of another version; print the sheet"):
        read_piece(_file(picture), rows, piece[1])


def test_the_wrong_piece_in_the_right_frame_is_refused(piece, picture):
    other = make_coupon("stop-start", machine("guided"), filament("75A"))
    with pytest.raises(PliantError, match=r"is not this piece|not to be seen"):
        read_piece(_file(picture), rows_of(other.steps), piece[1])


def _png(width, height):
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I4sII", 13, b"IHDR", width, height) + b"\x08\x02\0\0\0" + b"IEND"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"GIF89a" + b"\0" * 99, "no JPEG and no PNG"),
        (b"", "no JPEG and no PNG"),
        (b"\xff\xd8", "broken inside"),
        (b"\xff\xd8" + b"\xff\xe0\x00\x00" * 40, "broken inside"),
        (_png(60000, 60000), "over 80 million"),
        (_png(0, 4000), "breaks off"),
        (_png(2000, 2000), "broken inside"),
        (b"\xff\xd8" + b"a" * 60_000_000, "over 60 MB"),
    ],
)
def test_a_hostile_file_is_refused_in_one_line(data, words):
    with pytest.raises(PliantError, match=words) as refused:
        read_picture(Text("p.jpg", data))
    assert "\n" not in str(refused.value) and str(refused.value).startswith("p.jpg: ")


def test_a_picture_that_breaks_off_is_refused(picture):
    data = _file(picture[:1400, :1400]).content
    assert size_of(data, "p.jpg") == (1400, 1400)
    for cut in (len(data) // 2, len(data) - 2, 300, 21):
        with pytest.raises(PliantError, match=r"breaks off|broken inside"):
            read_picture(Text("p.jpg", data[:cut]))


def test_without_opencv_there_is_one_line_with_the_way_out(monkeypatch):
    monkeypatch.setitem(sys.modules, "cv2", None)
    with pytest.raises(PliantError, match=r"pip install 'pliant\[photo\]'"):
        read_picture(Text("p.jpg", b""))


def test_on_the_command_line_a_refusal_is_one_line_and_nothing_is_written(coupon, tmp_path):
    for kind, like in (("machine", "open-gap"), ("filament", "85A")):
        (tmp_path / f"{kind}.toml").write_text(starter(kind, like), encoding="utf-8")
    (tmp_path / "ss.toml").write_text(readings_text(coupon), encoding="utf-8")
    (tmp_path / "p.jpg").write_bytes(b"\xff\xd8 no picture")
    before = sorted(p.name for p in tmp_path.iterdir())
    for photo, words in (("p.jpg", "broken inside"), ("none.jpg", "cannot be read (No such file")):
        asked = ["learn", str(tmp_path / "ss.toml"), "--photo", str(tmp_path / photo)]
        asked += ["-m", str(tmp_path / "machine.toml"), "-f", str(tmp_path / "filament.toml")]
        answer = CliRunner().invoke(main, asked)
        said = [line for line in answer.output.splitlines() if line.strip() and "compiling" not in line]
        assert answer.exit_code == 2 and len(said) == 1 and words in said[0], answer.output
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_the_frame_is_printed_at_its_full_size_with_the_marks_of_the_piece(coupon, piece):
    """Drawn as its markup says, at ten dots a millimetre, it is found by the standard's own detector."""
    drawn = str(frame_of(coupon)["drawn"])
    wide, high = re.search(r'width="(\d+)mm" height="(\d+)mm"', drawn).groups()
    box = [float(v) for v in re.search(r'viewBox="([^"]+)"', drawn).group(1).split()]
    assert box[2:] == [float(wide), float(high)] and float(wide) < 210 - 2 * 12 and float(high) < 297 - 2 * 12
    page = np.full((int(high) * 10, int(wide) * 10), 255, np.uint8)
    for x, y, side in re.findall(r'<rect x="([^"]+)" y="([^"]+)" width="([^"]+)" height="[^"]+" fill="black"', drawn):
        _fill(page, float(x) - box[0], float(y) - box[1], float(side), 0)
    for x, y, side in re.findall(r"M(-?[\d.]+) (-?[\d.]+)h([\d.]+)v", drawn):
        _fill(page, float(x) - box[0], float(y) - box[1], float(side), 255)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(page)
    found = {int(n): c.reshape(4, 2).mean(axis=0) / 10 + box[:2] for n, c in zip(numbers.ravel(), corners, strict=True)}
    places = marks.mark_places(piece[1])
    assert found.keys() == places.keys()
    for number, (x, y) in places.items():
        assert found[number] == pytest.approx([x, -y], abs=0.1)


def _fill(page, x, y, side, level):
    page[round(10 * y) : round(10 * (y + side)), round(10 * x) : round(10 * (x + side))] = level


def test_a_picture_goes_with_one_empty_sheet_of_a_stop_start_piece(sheet, tmp_path):
    with pytest.raises(PliantError, match="and none of them is given"):
        read_with_photo([], Text("p.jpg", b""))
    with pytest.raises(PliantError, match="'ladder'; only a stop-start piece"):
        filled({**sheet, "coupon": "ladder"}, Text("p.jpg", b""), "l.toml")
    older = {**sheet, "step": [{k: v for k, v in s.items() if k != "before_mm"} for s in sheet["step"]]}
    with pytest.raises(PliantError, match="made by an earlier version"):
        filled(older, Text("p.jpg", b""), "old.toml")
