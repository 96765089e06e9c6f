"""How well a stop-start piece is read from drawn pictures: the table of docs/learn.md."""

import sys
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from pliant.coupons.stop_start import rows_of
from pliant.errors import PliantError
from pliant.files import Text
from pliant.photo.marks import piece_code
from pliant.photo.piece import read_piece
from pliant.workflows.coupon import make_coupon
from recipes import filament, machine
from rendered import Scene, render, taper_width

SCENES = {
    "light bead, dark ground": Scene(bead=0.5, clear=0.2, ground=0.25),
    "dark bead, light ground": Scene(bead=0.05, clear=0.2, ground=0.7),
    "translucent, side light": Scene(),
    "light along the rows": Scene(side=0.6, light=(0.9, 0.3)),
    "three quarters clear": Scene(bead=0.45, clear=0.75, side=0.5),
    "noise, rough bed": Scene(noise=6, rough=0.03),
    "strong shadow, fading": Scene(shadow=0.3, fade=0.5),
    "tilted by 17 deg": Scene(tilt=(14, 10), bend=-0.05, turn=-20),
    "upside down, at 97 %": Scene(laid_deg=178.0, printed=0.97),
    "8 megapixels": Scene(size=(3264, 2448)),
    "blurred": Scene(blur_px=1.5),
}
PIECES = (
    ("open-gap", "85A", [(9.0, 7.5), (14.0, 11.0), (21.0, 15.0)], tuple(SCENES)),
    ("tube-1.9", "95A", [(40.0, 30.0), (60.0, 38.0), (85.0, 45.0)], tuple(SCENES)[1:3] + tuple(SCENES)[8:9]),
)


def _share(found, truth):
    off = [100 * (length.mm / true - 1) for length, true in zip(found, truth, strict=True)]
    return f"{min(off):+.0f} to {max(off):+.0f} %"


def main():
    spreads = []
    for path, spool, truth, names in PIECES:
        steps = make_coupon("stop-start", machine(path), filament(spool)).steps
        rows, code = rows_of(steps), piece_code(steps)
        for name in names:
            jpeg = cv2.imencode(".jpg", render(rows, code, truth, SCENES[name]), [cv2.IMWRITE_JPEG_QUALITY, 90])[1]
            try:
                read = read_piece(Text("picture.jpg", jpeg.tobytes()), rows, code)
            except PliantError as error:
                print(f"{path}, {name}: refused: {error}")
                continue
            miss = []
            for w, row, true in zip(read.widths, rows, truth, strict=True):
                real = taper_width(row, *true, w.along_mm)
                miss.append((w.width_mm - real)[real > 0.2])
            tails, leads = zip(*truth, strict=True)
            for lengths, true in ((read.tails, tails), (read.leads, leads)):
                spreads += [(x.mm - t) / x.spread_mm for x, t in zip(lengths, true, strict=True)]
            print(
                f"{path}, {name}: width {np.mean([m.mean() for m in miss]):+.3f} mm, scatter "
                f"{np.mean([m.std() for m in miss]):.3f}; tails {_share(read.tails, tails)}, thin starts "
                f"{_share(read.leads, leads)}"
            )
    rms, most = np.sqrt(np.mean(np.square(spreads))), np.abs(spreads).max()
    print(f"{len(spreads)} lengths: off by {rms:.2f} of their own spread (root mean square), the most {most:.1f}")


if __name__ == "__main__":
    main()
