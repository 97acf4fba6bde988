"""Photographs on the evidence slide: of units that show its signs, scaled, told in words, without their place."""

import base64
import io
import json
import re

import numpy as np
import pytest
from PIL import Image
from pptx import Presentation

from workbench.report.basis import findings_json
from workbench.report.decks.deck_html import deck_html
from workbench.report.decks.deck_pptx import deck_pptx
from workbench.report.decks.slides import Slide, slides_of
from workbench.report.figures import Photographs
from workbench.report.findings.findings_teardown import teardown_findings
from workbench.report.making.assembly import season_data
from workbench.report.talk.opened_evidence import signs_slide
from workbench.report.talk.told import Told
from workbench.simulate import simulate_season

pytestmark = pytest.mark.slow

SIGN = "gasket_pinched_or_dirty"


@pytest.fixture(scope="module")
def season():
    log, _ = simulate_season(120, seed=11, season="2025")
    log = log.drop(columns=["humidity_card_percent", "water_conductivity_us_cm", "weight_found_g"])
    opened = log["condition_found"].isin(["dry", "damp", "wet"]) & (log["deployment"].astype(str) == "1")
    log.loc[opened, SIGN] = np.where(log.loc[opened, "outcome"] == "failed", "yes", "no")
    return log, log.index[opened & (log["outcome"] == "failed")]


def picture(path, colour):
    exif = Image.Exif()
    exif[0x010F] = "SecretMaker"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 26.0)
    Image.new("RGB", (2000, 1500), colour).save(path, exif=exif)


@pytest.fixture(scope="module")
def findings(season, tmp_path_factory):
    """What the teardown found; pictures change none of it."""
    log = tmp_path_factory.mktemp("no pictures") / "log.csv"
    season[0].to_csv(log, index=False)
    return {f.id: f for f in teardown_findings(season_data(log, settings="none", mission=150))}


def told_of(season, findings, folder, *, pictures):
    """What a talk is told from, of a log that names pictures: row number and column to file."""
    log = season[0].copy()
    for (number, column), name in pictures.items():
        log.loc[season[1][number], column] = name
    log.to_csv(folder / "log.csv", index=False)
    return Told(data=season_data(folder / "log.csv", settings="none", mission=150), findings=findings)


def test_two_pictures_of_units_with_the_sign_are_shown_with_words_and_nothing_of_the_place(season, findings, tmp_path):
    for name, colour in (("open.jpg", "red"), ("board.png", "blue"), ("mounted.jpg", "green")):
        picture(tmp_path / name, colour)
    names = {(0, "photo_1"): "mounted.jpg", (1, "photo_2"): "open.jpg", (2, "photo_2"): "gone.jpg",
             (3, "photo_3"): "board.png", (4, "photo_4"): "open.jpg"}  # fmt: skip
    told = told_of(season, findings, tmp_path, pictures=names)
    slide = signs_slide(told)

    shown = slide.figure.result
    units = [season[0].loc[season[1][n], "unit_id"] for n in (1, 3)]
    assert isinstance(shown, Photographs) and len(shown.pictures) == 2
    assert [c.split(":")[0] for c in shown.columns["caption"]] == units
    assert "board. Seen in it: seal pinched or dirty" in shown.columns["caption"][1]
    assert all(unit in slide.figure.alt for unit in units) and "2 photographs" in slide.figure.alt
    assert max(Image.open(io.BytesIO(shown.pictures[0])).size) <= 900
    assert "1 picture that the log names cannot be shown" in slide.method and "gone.jpg" not in slide.method
    assert "gone.jpg" not in json.dumps(json.loads(findings_json(told.data.log, {}, {}, findings=[slide])))

    slides = slides_of([slide], Slide(kind="cover", section="", title="Season"))
    page = deck_html(slides, "Season")
    data = re.search(r'src="data:image/jpeg;base64,([^"]+)" alt="2 photographs from the bench', page)[1]
    drawn = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB")).astype(int)
    red, green, blue = ((drawn[..., k] > 180) & (drawn.sum(axis=-1) - drawn[..., k] < 60) for k in range(3))
    assert red.mean() > 0.1 and blue.mean() > 0.1 and not green.any()
    assert red.nonzero()[1].max() < blue.nonzero()[1].min()
    deck = Presentation(io.BytesIO(deck_pptx(slides, "Season")))
    image = next(s.image for s in deck.slides[1].shapes if hasattr(s, "image"))
    for blob in (base64.b64decode(data), image.blob, *shown.pictures):
        assert b"SecretMaker" not in blob and b"Exif" not in blob


@pytest.mark.parametrize("names", [{}, {(0, "photo_1"): "mounted.jpg"}, {(0, "photo_2"): "../outside.jpg"}])
def test_without_a_suitable_picture_the_signs_are_drawn(season, findings, tmp_path, names):
    picture(tmp_path / "outside.jpg", "red")
    home = tmp_path / "season"
    home.mkdir()
    picture(home / "mounted.jpg", "green")
    slide = signs_slide(told_of(season, findings, home, pictures=names))

    assert not isinstance(slide.figure.result, Photographs)
    assert ("cannot be shown" in slide.method) == ((0, "photo_2") in names)
