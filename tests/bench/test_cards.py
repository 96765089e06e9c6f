"""The cards after a verdict: what is advised, what each leads to, and that they lead there."""

import pytest

from pliant.bench.cards import cards_of

ABOUT = {"machine_uid": "m" * 16, "filament_uid": "f" * 16, "upload": "u" * 16}


def _found(choice="watched-start", share=0.3, saves=-4.0, tries=2, piece=True, verdict="jams"):
    told = {
        "choice": choice, "expected_min": 49.0, "surest_min": 160.0,
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
        (_found("go", piece=False), ["surest"], "surest"),
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


def test_chances_are_said_in_words():
    watch = cards_of(_found(), ABOUT)[1]
    assert watch.said[0].startswith("About 1 in 5 that it jams") and "39\xa0min" in watch.said[1]


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
