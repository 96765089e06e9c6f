"""Air that leads outside, against scipy's labels of the same cells; what shows, against all cells one by one."""

import itertools

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import ndimage

from pliant.kernels.sight import join_air, shown_pieces, stamp_beads

WIDE = 15  # cells of the space that holds every box
place = st.integers(12, 40).map(lambda v: v / 4 + 0.03)
segment = st.tuples(place, place, place, place)
bead = st.tuples(segment, st.sampled_from([0.6, 0.9, 1.4]))
CORNERS = ((3.1, 3.1), (9.1, 3.1), (9.1, 9.1), (3.1, 9.1), (3.1, 3.1))
ROUND = tuple(((*a, *b), 0.9) for a, b in itertools.pairwise(CORNERS))
PLATE = tuple(((3.0, y, 9.2, y), 0.9) for y in (3.1, 4.1, 5.1, 6.1, 7.1, 8.1, 9.1))


def _distance(middle, chord):
    """From every middle of a cell to a segment."""
    a, d = np.array(chord[:2]), np.subtract(chord[2:], chord[:2])
    share = np.clip(((middle - a) @ d) / max(d @ d, 1e-12), 0, 1)
    return np.linalg.norm(middle - a - share[..., None] * d, axis=-1)


def _middles():
    return np.moveaxis(np.mgrid[:WIDE, :WIDE], 0, -1)[..., ::-1] + 0.5


def _solid(beads):
    solid = np.zeros((WIDE, WIDE), bool)
    for chord, reach in beads:
        solid |= _distance(_middles(), chord) <= reach
    return solid


def _outside(solid):
    """scipy: six neighbours, rim and top open, the bed shut; `(slabs, rows, columns)`."""
    air = np.pad(~np.array(solid), ((0, 1), (1, 1), (1, 1)), constant_values=True)
    label, _ = ndimage.label(air)
    return (label == label[-1, 0, 0])[:-1, 1:-1, 1:-1]


def _arrays(slabs):
    chord = np.array([c for beads in slabs for c, _ in beads], float).reshape(-1, 4)
    reach = np.array([r for beads in slabs for _, r in beads], float)
    first = np.concatenate([[0], np.cumsum([len(beads) for beads in slabs])])
    box = np.zeros((len(slabs), 4), np.int64)
    for s, beads in enumerate(slabs):
        c = np.array([c for c, _ in beads], float).reshape(-1, 2, 2)
        low, high = (c.min((0, 1)), c.max((0, 1))) if len(beads) else (np.full(2, 5.0), np.full(2, 5.0))
        box[s, :2] = np.floor(low - 1.4) - 1
        box[s, 2:] = np.ceil(high + 1.4) + 1 - box[s, :2]
    return chord, reach, first, box


def _unpacked(air, box):
    """Outside air of every cell, beyond the boxes too."""
    row_at, opens, begin, end, outside = air
    got = np.ones((len(box), WIDE, WIDE), bool)
    for s, (west, south, columns, rows) in enumerate(box.tolist()):
        got[s, south : south + rows, west : west + columns] = False
        for row in range(rows):
            for k in range(opens[row_at[s] + row], opens[row_at[s] + row + 1]):
                got[s, south + row, west + begin[k] : west + end[k]] = outside[k]
    return got


@settings(max_examples=150, deadline=None)
@given(bead)
def test_limit_stamped_cells_are_those_within_reach(bead):
    chord, reach = bead
    got = np.zeros((WIDE, WIDE), np.uint8)
    stamp_beads(got, np.array([chord], float), np.array([reach]), 0.0, 0.0)
    off = _distance(_middles(), chord) - reach
    assert np.array_equal(got.astype(bool)[np.abs(off) > 1e-9], (off <= 0)[np.abs(off) > 1e-9])


slabs_of = st.lists(st.lists(bead, max_size=7), min_size=1, max_size=4)


@settings(max_examples=150, deadline=None)
@given(slabs_of, st.lists(segment, min_size=1, max_size=4))
@example([PLATE, ROUND, PLATE], [(4.5, 4.5, 7.5, 7.5)])
@example([ROUND, ROUND, PLATE], [(4.5, 4.5, 7.5, 7.5)])
@example([PLATE, ROUND, ROUND], [(4.5, 4.5, 7.5, 7.5)])
@example([PLATE, ROUND[:3], PLATE], [(4.5, 4.5, 7.5, 7.5)])
@example([PLATE, ROUND, (), PLATE], [(4.5, 4.5, 7.5, 7.5)])
def test_limit_outside_air_is_that_of_scipy(slabs, stretches):
    chord, reach, first, box = _arrays(slabs)
    *air, enough = join_air(chord, reach, first, box, 10**6)
    want = _outside([_solid(beads) for beads in slabs])
    assert enough
    assert np.array_equal(_unpacked(air, box), want)
    # a place shows if a middle of outside air is near, in its slab or the next
    grown, stretch = 1.2, np.array(stretches, float)
    slab = np.arange(len(stretch)) % len(slabs)
    of, t0, t1, shows = shown_pieces((*air, box), stretch, slab, grown, 0.5)
    assert np.all(t1 > t0)
    around = np.concatenate([np.zeros((1, WIDE, WIDE), bool), want, np.ones((1, WIDE, WIDE), bool)])
    for k, (x0, y0, x1, y1) in enumerate(stretch):
        mine = of == k
        assert t0[mine][0] == 0.0
        assert t1[mine][-1] == 1.0
        assert np.array_equal(t0[mine][1:], t1[mine][:-1])
        assert np.all(shows[mine][1:] != shows[mine][:-1])
        n = max(int(np.ceil(np.hypot(x1 - x0, y1 - y0) / 0.5)), 1)
        for t in (np.arange(n) + 0.5) / n:
            near = np.hypot(*np.moveaxis(_middles() - [x0 + t * (x1 - x0), y0 + t * (y1 - y0)], -1, 0))
            if np.abs(near - grown).min() > 1e-9:
                lit = bool((around[slab[k] : slab[k] + 3] & (near <= grown)).any())
                assert shows[mine][np.searchsorted(t1[mine], t)] == lit


def test_limit_a_sealed_box_is_dark_and_every_way_in_lights_it():
    inside = np.array([[4.5, 4.5, 7.5, 7.5]])

    def lit(*slabs):
        chord, reach, first, box = _arrays(slabs)
        *air, _ = join_air(chord, reach, first, box, 10**6)
        return shown_pieces((*air, box), inside, np.array([1]), 1.2, 0.5)[3].any()

    assert not lit(PLATE, ROUND, PLATE)
    assert not lit(ROUND, ROUND, PLATE)  # the bed is shut
    assert lit(PLATE, ROUND)
    assert lit(PLATE, ROUND[:3], PLATE)
    assert lit(PLATE, ROUND, ROUND)
    assert lit(PLATE, ROUND, (), PLATE)


def test_limit_more_air_than_is_kept_is_told():
    comb = [((x, 3.5, x, 9.5), 0.6) for x in np.arange(3.5, 10.0, 2.5)]
    chord, reach, first, box = _arrays([comb] * 200)
    assert not join_air(chord, reach, first, box, 500)[-1]
