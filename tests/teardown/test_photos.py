"""Photos: nothing but pixels leaves the house, small and upright, and only from beside the log."""

import io

import numpy as np
import pytest
from PIL import Image

from workbench.errors import LogError, UsageError
from workbench.teardown.photos import LONGEST_SIDE, clean_photo, photo_uri, photos_of


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
    with pytest.raises(UsageError, match=r"no picture at d\.jpg"):
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
    assert len(shown) == 1 and shown[0][:2] == b"\xff\xd8"
    assert len(troubles) == 2
    assert "does not lie beside the log" in troubles[0] and "gone.jpg" in troubles[1]
    assert str(tmp_path) not in " ".join(troubles)
