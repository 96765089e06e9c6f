"""The cards after a verdict: what is advised, what each leads to, and that they lead there."""

import pytest

from pliant.bench.cards import cards_of

ABOUT = {"machine_uid": "m" * 16, "filament_uid": "f" * 16, "upload": "u" * 16}


def _found(choice="watched-start", share=0.3, saves=-4.0, tries=2, piece=True, verdict="jams", watched=True, heat=None):
    told = {
        "nozzle_c": heat, "choice": choice, "watched": watched, "expected_min": 49.0, "surest_min": 160.0,
        "tries": [{"speed_share": 0.6, "minutes": 13.0, "jam_probability": 0.2},
                  {"speed_share": 0.2, "minutes": 39.0, "jam_probability": 0.4}][:tries],
        "piece": {"kind": "ladder", "minutes": 10.0, "saves_min": saves} if piece else None,
    }  # fmt: skip
    return {"verdict": verdict, "speed_share": share, "tonight": told}


@pytest.mark.parametrize(
    ("found", "kinds", "advised"),
    [
        (_found(), ["piece", "watch", "surest"], "watch"),
        (_found("piece-first", saves=30.0), ["piece", "watch", "surest"], "piece"),
        (_found("another-part", share=None, tries=0), ["piece", "hardware"], "hardware"),
        (_found("watched-start", share=None, heat=215.0), ["piece", "watch", "surest"], "watch"),
        (_found("another-part", share=None, tries=0, heat=250.0), ["piece", "hardware"], "hardware"),
        (_found("go", piece=False), ["surest"], "surest"),
        (_found("piece-first", saves=30.0, watched=False), ["piece", "surest"], "piece"),
        (_found(verdict="feeds"), [], None),
        ({"verdict": "jams", "speed_share": None, "tonight": None}, [], None),
    ],
)
def test_one_is_advised_and_each_leads_on(found, kinds, advised):
    cards = cards_of(found, ABOUT)
    assert [card.kind for card in cards] == kinds
    assert [card.kind for card in cards if card.advised] == ([advised] if advised else [])
    for card in cards:
        assert card.said and card.picture.startswith("<svg") and bool(card.button) == bool(card.action)
        assert card.kind == "hardware" or card.fields["machine"] == ABOUT["machine_uid"]


def test_regression_a_nozzle_that_is_too_cold_is_said_before_a_start_and_is_no_other_part():
    _, watch, hotter = cards_of(_found("watched-start", share=None, heat=215.0), ABOUT)
    assert watch.said[0] == "Set the nozzle to 215 °C first."
    assert "215 °C is the least that helps" in hotter.said[0] and hotter.fields["aim"] == "surest"


def test_chances_are_said_in_words():
    watch = cards_of(_found(), ABOUT)[1]
    assert watch.said[0].startswith("About 1 in 5 that it jams") and "39\xa0min" in watch.said[1]


def test_the_way_with_a_pad_is_led_to_the_next_try(bench):
    """No room, so it is asked for; a pad; it did not come out whole; the next try is slower by itself."""
    rows = ["G21", "G90", "M83", "G28", "M109 S220"]
    for z in ("0.2", "0.4"):
        rows += [f"G1 Z{z} F600", "G0 X10 Y10 F7200", "G1 F3600"]
        rows += [f"G1 X{(50, 10)[k % 2]} Y{10 + 0.45 * k:.2f} E1.37" for k in range(80)]
    begun = bench.first("\n".join(rows) + "\n", machine_name="Of pads", spool_name="Of pads")
    bench.done(begun)
    page = bench.client.get(f"/check/{begun.json()['id']}").text
    asked = {"upload": page.split('name="upload" value="')[1].split('"')[0], "aim": "quickest"}
    asked |= {k: page.split(f'name="{k}" value="')[1].split('"')[0] for k in ("machine", "filament")}
    bare = bench.post("/mend", asked)
    assert bench.done(bare).json()["proof"] is None
    uid = bare.json()["id"]
    assert "Room for a proof beside the part" in bench.client.get(f"/mend/{uid}").text
    assert bench.post(f"/mend/{uid}/pad").status_code == 404
    assert "all three" in bench.post(f"/mend/{uid}/reach", {"reach_x": "200"}).json()["error"]
    assert bench.post(f"/mend/{uid}/reach").status_code == 422
    padded = bench.post(f"/mend/{uid}/reach", {"reach_x": "200", "reach_y": "200", "reach_z": "180"})
    first = bench.done(padded).json()
    assert first["proof"]["laid"]
    page = bench.client.get(f"/mend/{padded.json()['id']}").text
    assert "Did the pad come out whole?" in page and "Mended for tonight: watch the pad" in page
    next_try = bench.done(bench.post(f"/mend/{padded.json()['id']}/pad")).json()
    assert next_try["after_prints"]["jammed"] == 1
    assert next_try["after"]["time_s"] > 1.2 * first["after"]["time_s"]


def test_the_cards_are_on_the_page_and_an_aim_is_taken(bench):
    begun = bench.first(machine_name="Of ways", spool_name="Of ways")
    data = bench.done(begun).json()
    page = bench.client.get(f"/check/{begun.json()['id']}").text
    assert page.count('class="way ') == len(cards_of(data, ABOUT)) >= 2 and page.count(">advised<") == 1
    asked = {"upload": page.split('name="upload" value="')[1].split('"')[0]}
    asked |= {k: page.split(f'name="{k}" value="')[1].split('"')[0] for k in ("machine", "filament")}
    assert bench.post("/mend", asked | {"aim": "luckiest"}).status_code == 422
    mended = bench.done(bench.post("/mend", asked | {"aim": "quickest"})).json()
    assert mended["certified"] and mended["target"] > 0.02
