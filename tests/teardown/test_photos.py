"""Photos: nothing but pixels leaves the house, small and upright, and only from beside the log."""

import io
import struct
import warnings
import zlib

import numpy as np
import pytest
from PIL import Image

from workbench.cli import main
from workbench.errors import LogError, UsageError
from workbench.teardown.sheets.photos import LONGEST_SIDE, clean_photo, photo_uri, photos_of


def picture(path, size=(2400, 1200), orientation=6):
    pixels = np.zeros((size[1], size[0], 3), dtype=np.uint8)
    pixels[:, : size[0] // 2] = (255, 0, 0)
    image = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "SecretMaker"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 26.0)
    exif.get_ifd(0x8825)[1] = "N"
    image.save(path, exif=exif, comment=b"SecretComment")
    return path


def test_no_metadata_small_and_upright(tmp_path):
    source = picture(tmp_path / "a.jpg")
    assert b"Exif" in source.read_bytes() and b"SecretMaker" in source.read_bytes()
    data = clean_photo(source)
    for secret in (b"Exif", b"SecretMaker", b"SecretComment", b"ICC_PROFILE", b"http"):
        assert secret not in data
    seen = Image.open(io.BytesIO(data))
    assert not seen.getexif() and "comment" not in seen.info and "exif" not in seen.info
    assert max(seen.size) == LONGEST_SIDE and seen.size == (800, 1600)  # turned upright
    top, bottom = seen.getpixel((400, 100)), seen.getpixel((400, 1500))
    assert top[0] > 200 and bottom[0] < 60


def test_small_pictures_keep_their_size_and_transparency_is_flattened(tmp_path):
    Image.new("RGBA", (40, 20), (0, 255, 0, 128)).save(tmp_path / "b.png")
    assert Image.open(io.BytesIO(clean_photo(tmp_path / "b.png"))).size == (40, 20)
    assert photo_uri(tmp_path / "b.png").startswith("data:image/jpeg;base64,/9j/")


def test_what_is_no_picture_is_refused(tmp_path):
    (tmp_path / "c.jpg").write_bytes(b"not a picture")
    with pytest.raises(LogError, match=r"c\.jpg cannot be read as a picture"):
        clean_photo(tmp_path / "c.jpg")
    with pytest.raises(UsageError, match=r"no picture at 'd\.jpg'"):
        clean_photo(tmp_path / "d.jpg")
    cut = picture(tmp_path / "e.jpg").read_bytes()[:600]
    (tmp_path / "e.jpg").write_bytes(cut)
    with pytest.raises(LogError, match=r"e\.jpg cannot be read"):
        clean_photo(tmp_path / "e.jpg")


def test_photos_come_from_beside_the_log_only(tmp_path):
    home = tmp_path / "season"
    (home / "pictures").mkdir(parents=True)
    picture(home / "pictures" / "in.jpg", size=(60, 40), orientation=1)
    picture(tmp_path / "out.jpg", size=(60, 40))
    row = {"photo_1": "pictures/in.jpg", "photo_2": "../out.jpg", "photo_3": None, "photo_4": "gone.jpg"}
    shown, troubles = photos_of(row, home)
    assert [(p.column, p.words, p.data[:2]) for p in shown] == [("photo_1", "as mounted", b"\xff\xd8")]
    assert len(troubles) == 2
    assert "does not lie beside the log" in troubles[0] and "gone.jpg" in troubles[1]
    assert str(tmp_path) not in " ".join(troubles)


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b.jpg", "/".join(["x" * 300] * 20)], ids=["long", "NUL", "deep"])
def test_a_cell_that_can_be_no_name_spoils_no_other_picture(tmp_path, name):
    picture(tmp_path / "in.jpg", size=(60, 40), orientation=1)
    shown, troubles = photos_of({"photo_1": name, "photo_2": "in.jpg"}, tmp_path)
    assert len(shown) == 1 and len(troubles) == 1
    assert "no picture at" in troubles[0] and len(troubles[0]) < 200 and "\0" not in troubles[0]


def test_a_claimed_size_is_checked_before_decoding_and_nothing_is_warned_of(tmp_path, monkeypatch):
    """A PNG whose header claims more pixels than memory holds; Pillow warns above 89 million pixels."""
    header = io.BytesIO()
    Image.new("L", (1, 1)).save(header, format="PNG")
    for width, height in [(12_000, 12_000), (9_500, 9_500)]:
        chunk = b"IHDR" + struct.pack(">II", width, height) + b"\x08\0\0\0\0"
        data = header.getvalue()
        claimed = data[:8] + struct.pack(">I", 13) + chunk + struct.pack(">I", zlib.crc32(chunk)) + data[33:]
        (tmp_path / f"{width}.png").write_bytes(claimed)
    decoded = []
    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", lambda image: decoded.append(image) or _refuse())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(LogError, match="144,000,000 pixels, which is too many"):
            clean_photo(tmp_path / "12000.png")
        assert not decoded
        with pytest.raises(LogError, match=r"9500\.png cannot be read"):
            clean_photo(tmp_path / "9500.png")


def _refuse():
    raise OSError


def test_evidence_pages_show_pictures_beside_signs_and_nothing_of_where_they_were_taken(tmp_path, capsys):
    picture(tmp_path / "open.jpg", size=(300, 200), orientation=1)
    (tmp_path / "log.csv").write_text(
        "unit_id,deployed_on,found_on,outcome,site,latitude,longitude,tide_line,gasket_pinched_or_dirty,photo_1\n"
        "<b>U1</b>,2025-03-01,2025-06-01,failed,Mirefold Bog,51.5072,-0.1276,yes,yes,open.jpg\n"
        "U2,2025-03-01,2025-06-01,failed,Mirefold Bog,51.5072,-0.1276,no,no,gone.jpg\n"
    )
    assert "photo_1: no picture at" in _sheet(tmp_path, "U2")
    sheet = _sheet(tmp_path, "<b>U1</b>")
    assert sheet.count('src="data:image/jpeg;base64,') == 1 and "<b>U1" not in sheet
    settings = tmp_path / "season.toml"
    settings.write_text('window = ["2025-01-01", "2025-12-31"]\n')
    out = tmp_path / "pages.html"
    assert main(["teardown", str(tmp_path / "log.csv"), "--settings", str(settings), "--pages", str(out)]) == 0
    page = out.read_text(encoding="utf-8")
    assert page.index('class="caution"') < page.index("<article>")
    assert page.count("<article>") == 2 and page.count("<img ") == 1
    assert 'alt="Photograph of unit &lt;b&gt;U1&lt;/b&gt;: as mounted" src="data:image/jpeg;base64,' in page
    assert "&lt;b&gt;U1" in page and "<b>U1" not in page and "tide line" in page and "gone.jpg" in page
    assert "51.5072" not in page and "SecretMaker" not in page
    assert "evidence written" in capsys.readouterr().err
    assert main(["teardown", str(tmp_path / "log.csv"), "--settings", str(settings), "--pages", "x.pdf"]) == 2


def _sheet(folder, unit):
    out = folder / "sheet.html"
    assert main(["teardown", str(folder / "log.csv"), "--units", unit, "--sheets", str(out)]) == 0
    return out.read_text(encoding="utf-8")


def test_photographs_that_are_not_there_are_named(tmp_path):
    from workbench.teardown.sheets import missing_photos

    (tmp_path / "there.jpg").write_bytes(b"x")
    records = [
        {"unit_id": "LM-1", "photo_1": "there.jpg", "photo_2": "gone.jpg"},
        {"unit_id": "LM-2", "photo_1": None, "photo_3": "x" * 5000},
    ]
    found = missing_photos(records, tmp_path)
    assert len(found) == 2
    assert found[0] == "unit LM-1: photo_2 names 'gone.jpg', which is not there."
